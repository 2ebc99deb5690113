-- What flowed in the time asked for, by downtime (null: on the reel), grade and shade, integrated step by step: what
-- fell into the pits, the furnish drawn, and for one tower what was dosed, came back and ran over. The newest good and
-- plausible value holds, also through gaps; bridged_ms says for how long. While the sheet is off, it has the basis weight
-- of before the loss; the nominal one where the grade has changed since, or had changed less than 40 min before: of the
-- 30 min that the one before is a mean of, ten may then have been the change itself.
-- $dry: oven-dry share of the paper on the reel. Tags may be null. What holds at the beginning is told by the time before
-- it that is read too ($back_ms), or by who asks ($held_…; null: not known).
WITH place AS (
    SELECT
        m.machine, m.trim_m, coalesce(m.added_g_m2, 0) AS added,
        (SELECT number FROM sheet_detector AS d WHERE d.machine = m.machine AND d.section = m.added_from) AS added_from
    FROM machine AS m
    WHERE m.machine = $machine
),
role_of AS (
    SELECT role, tag FROM signal WHERE machine = $machine AND role IN ('speed', 'basis_weight')
    UNION ALL
    SELECT role, tag
    FROM (VALUES ('level', $level), ('dosing', $dosing), ('returned', $returned), ('spilled', $spilled)) AS given (role, tag)
    WHERE tag IS NOT NULL
),
-- By number, so that only the parts of the archive that hold them are read.
tag_of AS MATERIALIZED (
    SELECT r.role, t.tag_id FROM role_of AS r JOIN tag AS t ON t.machine = $machine AND t.tag = r.tag
),
sampled AS (
    SELECT
        $from_ms - 1 AS at_ms,
        $held_speed::DOUBLE AS speed,
        $held_basis_weight::DOUBLE AS basis_weight,
        $held_level::DOUBLE AS level,
        $held_dosing::DOUBLE AS dosing,
        $held_returned::DOUBLE AS returned,
        $held_spilled::DOUBLE AS spilled
    UNION ALL
    SELECT
        epoch_ms(s.sampled_at) AS at_ms,
        max(s.value) FILTER (WHERE t.role = 'speed') AS speed,
        max(s.value) FILTER (WHERE t.role = 'basis_weight') AS basis_weight,
        max(s.value) FILTER (WHERE t.role = 'level') AS level,
        max(s.value) FILTER (WHERE t.role = 'dosing') AS dosing,
        max(s.value) FILTER (WHERE t.role = 'returned') AS returned,
        max(s.value) FILTER (WHERE t.role = 'spilled') AS spilled
    FROM numbered_sample AS s
    JOIN tag_of AS t ON t.tag_id = s.tag_id
    WHERE s.value IS NOT NULL
      AND s.flags & 2 = 0
      AND s.sampled_at >= make_timestamptz(($from_ms - $back_ms)::BIGINT * 1000)
      AND s.sampled_at < make_timestamptz($to_ms::BIGINT * 1000)
    GROUP BY at_ms
),
state AS (
    SELECT state, epoch_ms(started_at) AS started_ms, coalesce(epoch_ms(ended_at), $to_ms) AS ended_ms
    FROM machine_state
    WHERE machine = $machine AND epoch_ms(started_at) < $to_ms
),
-- A gap changes neither stock nor speed as far as anybody knows.
turned AS (
    SELECT started_ms, state IN ('on_reel', 'threading', 'down') AS flowing FROM state WHERE state <> 'no_data'
),
silent AS (
    SELECT started_ms, ended_ms FROM state WHERE state = 'no_data'
),
off AS (
    SELECT
        d.downtime_id, epoch_ms(d.started_at) AS started_ms, coalesce(epoch_ms(d.ended_at), $to_ms) AS ended_ms,
        d.rate_before_t_h * 1e6 / 60 / nullif(d.speed_before_m_min * p.trim_m, 0) AS weight_before,
        d.grade AS grade_before,
        coalesce(d.since_grade_change_s < 2400, FALSE) AS changing,
        coalesce(s.number >= p.added_from, FALSE) AS carries
    FROM downtime AS d
    CROSS JOIN place AS p
    LEFT JOIN sheet_detector AS s ON s.machine = d.machine AND s.section = d.section
    WHERE d.machine = $machine AND epoch_ms(d.started_at) < $to_ms
      AND (d.ended_at IS NULL OR epoch_ms(d.ended_at) > $from_ms)
),
run AS (
    SELECT grade, shade, epoch_ms(started_at) AS started_ms FROM grade_run
    WHERE machine = $machine AND epoch_ms(started_at) < $to_ms
),
instant AS (
    SELECT at_ms FROM sampled
    UNION SELECT started_ms FROM state
    UNION SELECT started_ms FROM off
    UNION SELECT ended_ms FROM off
    UNION SELECT started_ms FROM run
    UNION SELECT $from_ms::BIGINT
),
-- To look for the last value of a tag that the tower does not have would go back to the beginning at every step.
held AS (
    SELECT
        i.at_ms,
        least(lead(i.at_ms, 1, $to_ms::BIGINT) OVER (ORDER BY i.at_ms), $to_ms) AS until_ms,
        last_value(s.speed IGNORE NULLS) OVER earlier AS speed,
        last_value(s.basis_weight IGNORE NULLS) OVER earlier AS basis_weight,
        CASE WHEN $level IS NOT NULL THEN last_value(s.level IGNORE NULLS) OVER earlier END AS level,
        CASE WHEN $dosing IS NOT NULL THEN last_value(s.dosing IGNORE NULLS) OVER earlier END AS dosing,
        CASE WHEN $returned IS NOT NULL THEN last_value(s.returned IGNORE NULLS) OVER earlier END AS returned,
        CASE WHEN $spilled IS NOT NULL THEN last_value(s.spilled IGNORE NULLS) OVER earlier END AS spilled
    FROM instant AS i
    LEFT JOIN sampled AS s ON s.at_ms = i.at_ms
    WINDOW earlier AS (ORDER BY i.at_ms ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)
),
step AS (
    SELECT
        h.until_ms - h.at_ms AS ms,
        h.level, h.dosing, h.returned, h.spilled,
        r.grade, r.shade,
        CASE WHEN h.at_ms < o.ended_ms THEN o.downtime_id END AS downtime_id,
        h.at_ms < o.ended_ms AND o.carries AS carries,
        coalesce(h.at_ms < q.ended_ms, FALSE) AS bridged,
        CASE WHEN t.flowing THEN h.speed * p.trim_m * (h.until_ms - h.at_ms) / 60000.0 / 1e6 ELSE 0 END AS area,
        CASE
            WHEN h.at_ms < o.ended_ms AND (o.changing OR r.grade IS DISTINCT FROM o.grade_before)
            THEN coalesce(g.basis_weight_g_m2, o.weight_before, h.basis_weight)
            WHEN h.at_ms < o.ended_ms THEN coalesce(o.weight_before, h.basis_weight)
            ELSE h.basis_weight
        END AS weight,
        p.added
    FROM held AS h
    CROSS JOIN place AS p
    ASOF LEFT JOIN turned AS t ON h.at_ms >= t.started_ms
    ASOF LEFT JOIN silent AS q ON h.at_ms >= q.started_ms
    ASOF LEFT JOIN off AS o ON h.at_ms >= o.started_ms
    ASOF LEFT JOIN run AS r ON h.at_ms >= r.started_ms
    LEFT JOIN grade AS g ON g.grade = r.grade
    WHERE h.at_ms >= $from_ms AND h.at_ms < $to_ms
)
SELECT
    downtime_id, grade, shade,
    sum(ms)::BIGINT AS ms,
    sum(CASE WHEN bridged THEN ms ELSE 0 END)::BIGINT AS bridged_ms,
    sum(CASE WHEN level >= 99.5 THEN ms ELSE 0 END)::BIGINT AS full_ms,
    sum(CASE WHEN downtime_id IS NULL THEN 0 ELSE area * weight END) AS fallen_reel_t,
    sum(CASE WHEN downtime_id IS NULL THEN 0
             ELSE area * greatest(weight * $dry - CASE WHEN carries THEN 0 ELSE added END, 0) END) AS fallen_t,
    sum(area * greatest(weight * $dry - added, 0)) AS furnish_t,
    sum(dosing / 100 * area * greatest(weight * $dry - added, 0)) AS dosed_t,
    sum(returned * ms / 3600000.0) AS returned_m3,
    sum(spilled * ms / 3600000.0) AS spilled_m3
FROM step
GROUP BY ALL
ORDER BY downtime_id NULLS FIRST, grade, shade;
