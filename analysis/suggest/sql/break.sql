-- Every break of a machine with what suggestions know of it; flickers and blindness of the section's detectors on the
-- day up to the loss.
WITH lost AS MATERIALIZED (
    SELECT * FROM sheet_break WHERE machine = $machine AND NOT start_uncertain
),
eye AS (
    SELECT d.section, f.kind, f.count, f.started_at, f.ended_at
    FROM detector_fault AS f
    JOIN sheet_detector AS d ON d.machine = f.machine AND d.tag = f.tag
    WHERE f.machine = $machine AND f.kind IN ('flicker', 'blind')
),
troubled AS (
    SELECT
        b.downtime_id,
        coalesce(sum(e.count) FILTER (WHERE e.kind = 'flicker'), 0) AS flickers,
        coalesce(sum(e.count) FILTER (WHERE e.kind = 'blind'), 0) AS blind
    FROM lost AS b
    JOIN eye AS e ON e.section = b.section
    WHERE e.started_at <= b.started_at
      AND coalesce(e.ended_at, e.started_at) >= b.started_at - to_hours($within_h)
    GROUP BY b.downtime_id
)
SELECT
    b.downtime_id,
    epoch_ms(b.started_at) AS started_ms,
    b.section,
    b.grade,
    b.cause,
    b.certainty,
    b.at_turn_up,
    b.on_reel_before_s / 60 AS on_reel_min,
    b.since_grade_change_s / 60 AS grade_change_min,
    b.since_turn_up_s / 60 AS turn_up_min,
    CAST(coalesce(t.flickers, 0) AS BIGINT) AS flickers,
    CAST(coalesce(t.blind, 0) AS BIGINT) AS blind
FROM lost AS b
LEFT JOIN troubled AS t ON t.downtime_id = b.downtime_id
ORDER BY started_ms, b.downtime_id;
