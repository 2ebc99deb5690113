-- How long from a break to saleable paper, by grade?
-- for: engineer
-- Saleable: basis weight and moisture within the limits of the grade, and so for settled_s at least, before the next
-- loss. By the grade at the loss, judged by the one being made. Limits that a grade does not have judge nothing; a
-- grade without any is not judged. Only the six hours after each return are looked at. Values hold until the tag's
-- next one; what is bad or implausible is not within limits.
-- $days = 90 [d]: how far back, from the newest data
WITH back AS (
    SELECT
        b.downtime_id, b.machine, b.grade, b.started_at, b.ended_at,
        least(coalesce(min(n.started_at), c.last_at), b.ended_at + INTERVAL 6 HOUR) AS until_at,
        any_value(coalesce(c.settled_s, 60)) AS settled_s
    FROM sheet_break AS b
    JOIN machine AS c ON c.machine = b.machine
    LEFT JOIN downtime AS n ON n.machine = b.machine AND n.started_at >= b.ended_at
    WHERE b.ended_at IS NOT NULL AND NOT b.end_uncertain AND NOT b.start_uncertain
      AND b.started_at >= (SELECT data_to FROM published) - to_days($days::INTEGER)
    GROUP BY b.downtime_id, b.machine, b.grade, b.started_at, b.ended_at, c.last_at
),
hour AS (
    SELECT *, unnest(generate_series(epoch_ms(ended_at) // 3600000 - 1, epoch_ms(until_at) // 3600000)) AS hour_no
    FROM back
),
read AS (
    SELECT
        machine, tag, sampled_at, CASE WHEN value IS NULL OR flags & 2 > 0 THEN 'nan'::DOUBLE ELSE value END AS good
    FROM sample
),
-- What holds at the return is the last value before it: the clock hour before is read for that.
heard AS (
    SELECT
        h.downtime_id, greatest(s.sampled_at, h.ended_at) AS heard_at,
        arg_max(s.good, s.sampled_at) FILTER (WHERE r.role = 'basis_weight') AS weight,
        arg_max(s.good, s.sampled_at) FILTER (WHERE r.role = 'moisture') AS moisture
    FROM read AS s
    JOIN signal AS r ON r.machine = s.machine AND r.tag = s.tag AND r.role IN ('basis_weight', 'moisture')
    JOIN hour AS h ON h.machine = s.machine AND h.hour_no = epoch_ms(s.sampled_at) // 3600000
    WHERE s.sampled_at < h.until_at
    GROUP BY h.downtime_id, greatest(s.sampled_at, h.ended_at)
),
held AS (
    SELECT
        downtime_id, heard_at, lead(heard_at) OVER (PARTITION BY downtime_id ORDER BY heard_at) AS next_at,
        last_value(weight IGNORE NULLS) OVER earlier AS weight,
        last_value(moisture IGNORE NULLS) OVER earlier AS moisture
    FROM heard
    WINDOW earlier AS (PARTITION BY downtime_id ORDER BY heard_at ROWS UNBOUNDED PRECEDING)
),
judged AS (
    SELECT
        b.downtime_id, b.settled_s, b.until_at, h.heard_at, coalesce(h.next_at, b.until_at) AS next_at,
        (g.basis_weight_within_pct IS NULL OR NOT isnan(h.weight)
            AND abs(h.weight - g.basis_weight_g_m2) <= g.basis_weight_g_m2 * g.basis_weight_within_pct / 100)
        AND (g.moisture_low_pct IS NULL OR NOT isnan(h.moisture)
            AND h.moisture >= g.moisture_low_pct AND h.moisture <= g.moisture_high_pct) AS within_limits
    FROM back AS b
    JOIN held AS h ON h.downtime_id = b.downtime_id
    ASOF JOIN grade_run AS r ON r.machine = b.machine AND r.started_at <= h.heard_at
    JOIN grade AS g ON g.grade = r.grade
    WHERE g.basis_weight_within_pct IS NOT NULL OR g.moisture_low_pct IS NOT NULL
),
good AS (
    SELECT downtime_id, settled_s, min(heard_at) AS from_at, max(next_at) AS to_at
    FROM (
        SELECT *, count(*) FILTER (WHERE within_limits IS NOT TRUE)
            OVER (PARTITION BY downtime_id ORDER BY heard_at ROWS UNBOUNDED PRECEDING) AS stretch
        FROM judged
    )
    WHERE within_limits
    GROUP BY downtime_id, settled_s, stretch
),
saleable AS (
    SELECT downtime_id, min(from_at) AS saleable_at FROM good
    WHERE epoch_ms(to_at) - epoch_ms(from_at) >= settled_s * 1000
    GROUP BY downtime_id
)
SELECT
    b.machine, b.grade, count(*) AS breaks, count(s.saleable_at) AS became_saleable,
    round(median(epoch_ms(s.saleable_at) - epoch_ms(b.started_at)) / 60000, 1) AS median_to_saleable_min,
    round(median(epoch_ms(b.ended_at) - epoch_ms(b.started_at)) / 60000, 1) AS median_to_reel_min
FROM back AS b
LEFT JOIN saleable AS s ON s.downtime_id = b.downtime_id
GROUP BY b.machine, b.grade
ORDER BY b.machine, b.grade;
