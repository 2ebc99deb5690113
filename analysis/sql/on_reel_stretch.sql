-- On-reel time cut wherever the judgement of speed or quality changes, with what was made in each stretch. Values hold
-- until the tag's next one, a bad or implausible one makes its quantity unknown. What holds at the beginning is told by
-- the time before it that is read too ($back_ms), or by who asks ($held_…; null: not known).
-- Limits that a grade does not have judge nothing.
WITH bound AS (
    SELECT
        make_timestamptz(($from_ms - $back_ms)::BIGINT * 1000) AS from_at,
        make_timestamptz($to_ms::BIGINT * 1000) AS to_at
),
role AS MATERIALIZED (
    SELECT s.role, t.tag_id
    FROM signal AS s
    LEFT JOIN tag AS t ON t.machine = s.machine AND t.tag = s.tag
    WHERE s.machine = $machine AND s.role IN ('speed', 'basis_weight', 'moisture')
),
-- Flag 2: outside its plausible range.
read AS (
    SELECT tag_id, sampled_at, CASE WHEN value IS NULL OR flags & 2 > 0 THEN 'nan'::DOUBLE ELSE value END AS good
    FROM numbered_sample
    WHERE sampled_at >= (SELECT from_at FROM bound) AND sampled_at < (SELECT to_at FROM bound)
),
sampled AS (
    SELECT
        $from_ms - 1 AS at_ms,
        $held_speed::DOUBLE AS speed,
        $held_basis_weight::DOUBLE AS basis_weight,
        $held_moisture::DOUBLE AS moisture
    UNION ALL
    SELECT
        epoch_ms(s.sampled_at) AS at_ms,
        max(s.good) FILTER (WHERE r.role = 'speed') AS speed,
        max(s.good) FILTER (WHERE r.role = 'basis_weight') AS basis_weight,
        max(s.good) FILTER (WHERE r.role = 'moisture') AS moisture
    FROM read AS s
    JOIN role AS r ON r.tag_id = s.tag_id
    GROUP BY at_ms
),
run AS (
    SELECT
        greatest(epoch_ms(started_at), $from_ms) AS started_ms,
        least(coalesce(epoch_ms(ended_at), $to_ms), $to_ms) AS ended_ms
    FROM machine_state
    WHERE machine = $machine AND state = 'on_reel'
      AND epoch_ms(started_at) < $to_ms AND (ended_at IS NULL OR epoch_ms(ended_at) > $from_ms)
),
made AS (
    SELECT grade, epoch_ms(started_at) AS started_ms FROM grade_run
    WHERE machine = $machine AND epoch_ms(started_at) < $to_ms
),
wound AS (
    SELECT reel, epoch_ms(started_at) AS started_ms FROM reel
    WHERE machine = $machine AND epoch_ms(started_at) < $to_ms
),
instant AS (
    SELECT at_ms FROM sampled
    UNION SELECT started_ms FROM run
    UNION SELECT ended_ms FROM run
    UNION SELECT started_ms FROM made
    UNION SELECT started_ms FROM wound
),
held AS (
    SELECT
        i.at_ms,
        lead(i.at_ms) OVER (ORDER BY i.at_ms) AS next_ms,
        last_value(s.speed IGNORE NULLS) OVER earlier AS speed,
        last_value(s.basis_weight IGNORE NULLS) OVER earlier AS basis_weight,
        last_value(s.moisture IGNORE NULLS) OVER earlier AS moisture
    FROM instant AS i
    LEFT JOIN sampled AS s ON s.at_ms = i.at_ms
    WINDOW earlier AS (ORDER BY i.at_ms ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)
),
known AS (
    SELECT
        h.at_ms, r.started_ms AS run_ms,
        coalesce(least(h.next_ms, r.ended_ms), r.ended_ms) AS until_ms,
        m.grade, w.reel,
        CASE WHEN NOT isnan(h.speed) THEN h.speed END AS speed,
        CASE WHEN NOT isnan(h.basis_weight) THEN h.basis_weight END AS basis_weight,
        CASE WHEN NOT isnan(h.moisture) THEN h.moisture END AS moisture
    FROM held AS h
    ASOF JOIN run AS r ON h.at_ms >= r.started_ms
    ASOF LEFT JOIN made AS m ON h.at_ms >= m.started_ms
    ASOF LEFT JOIN wound AS w ON h.at_ms >= w.started_ms
    WHERE h.at_ms < r.ended_ms
),
judged AS (
    SELECT
        k.*,
        (k.until_ms - k.at_ms) / 60000.0 * c.trim_m * k.basis_weight / 1e6 AS t_per_m_min,
        g.target_speed_m_min AS target,
        k.speed >= g.target_speed_m_min * (1 - coalesce(c.at_speed_within_pct, 1.0) / 100) AS at_speed,
        abs(k.basis_weight - g.basis_weight_g_m2) <= g.basis_weight_g_m2 * g.basis_weight_within_pct / 100 AS weight_ok,
        k.moisture >= g.moisture_low_pct AND k.moisture <= g.moisture_high_pct AS moisture_ok,
        g.basis_weight_within_pct IS NULL AS any_weight,
        g.moisture_low_pct IS NULL OR NOT EXISTS (SELECT 1 FROM role WHERE role = 'moisture') AS any_moisture
    FROM known AS k
    JOIN machine AS c ON c.machine = $machine
    LEFT JOIN grade AS g ON g.grade = k.grade
),
told AS (
    SELECT
        * EXCLUDE (weight_ok, moisture_ok, any_weight, any_moisture),
        CASE
            WHEN any_weight AND any_moisture THEN NULL
            ELSE (any_weight OR weight_ok) AND (any_moisture OR moisture_ok)
        END AS in_spec,
        speed * t_per_m_min AS tonnes_t,
        CASE WHEN at_speed THEN 0.0 ELSE target - speed END * t_per_m_min AS short_t
    FROM judged
),
alike AS (
    SELECT *, (run_ms, grade, reel, at_speed, in_spec, tonnes_t IS NULL, short_t IS NULL) AS judgement FROM told
),
begun AS (
    SELECT *, judgement IS DISTINCT FROM lag(judgement) OVER (ORDER BY at_ms) AS begins FROM alike
),
marked AS (
    SELECT *, sum(begins::INTEGER) OVER (ORDER BY at_ms ROWS UNBOUNDED PRECEDING) AS stretch FROM begun
)
SELECT
    min(at_ms) AS started_ms,
    max(until_ms) AS ended_ms,
    any_value(grade) AS grade,
    any_value(reel) AS reel,
    sum(tonnes_t) AS tonnes_t,
    sum(short_t) AS short_t,
    any_value(at_speed) AS at_speed,
    any_value(in_spec) AS in_spec
FROM marked
GROUP BY stretch
ORDER BY started_ms;
