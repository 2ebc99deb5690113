-- Does the sheet break more often after a change of grade?
-- for: engineer
-- The first data of a machine are no change. Per 100 hours on the reel.
-- $within_min = 120 [min]: how long after a change counts
WITH changed AS (
    SELECT machine, started_at, started_at + to_minutes($within_min::INTEGER) AS to_at
    FROM grade_run
    WHERE NOT start_uncertain
),
made AS (
    SELECT
        p.machine,
        sum(epoch_ms(p.ended_at) - epoch_ms(p.started_at)) / 3600000.0 AS all_h,
        sum(
            CASE WHEN c.to_at > p.started_at THEN epoch_ms(least(p.ended_at, c.to_at)) - epoch_ms(p.started_at) ELSE 0 END
        ) / 3600000.0 AS soon_h
    FROM production AS p
    ASOF LEFT JOIN changed AS c ON c.machine = p.machine AND c.started_at <= p.started_at
    GROUP BY p.machine
),
broken AS (
    SELECT
        machine, count(*) AS all_breaks, count(*) FILTER (WHERE since_grade_change_s < 60 * $within_min::DOUBLE) AS soon
    FROM sheet_break
    GROUP BY machine
),
told AS (
    SELECT m.machine, 'after a change' AS part, coalesce(b.soon, 0) AS breaks, m.soon_h AS on_reel_h
    FROM made AS m LEFT JOIN broken AS b ON b.machine = m.machine
    UNION ALL
    SELECT m.machine, 'else', coalesce(b.all_breaks - b.soon, 0), m.all_h - m.soon_h
    FROM made AS m LEFT JOIN broken AS b ON b.machine = m.machine
)
SELECT
    machine, part, breaks, round(on_reel_h, 2) AS on_reel_h,
    CASE WHEN on_reel_h > 0 THEN round(100 * breaks / on_reel_h, 2) END AS per_100_on_reel_h
FROM told
ORDER BY machine, part;
