-- How often did the sheet break each day, and how long was it on the reel?
-- for: engineer
-- Days are the mill's. A day without time on the reel is not listed.
-- $days = 30 [d]: how far back, from the newest data
WITH bound AS (
    SELECT time_zone, (SELECT data_to FROM published) - to_days($days::INTEGER) AS from_at FROM mill
),
made AS (
    SELECT
        p.machine, CAST(timezone(b.time_zone, p.started_at) AS DATE) AS day,
        sum(epoch_ms(p.ended_at) - epoch_ms(p.started_at)) / 3600000.0 AS on_reel_h, sum(p.tonnes_t) AS tonnes_t
    FROM production AS p
    CROSS JOIN bound AS b
    WHERE p.started_at >= b.from_at
    GROUP BY ALL
),
broken AS (
    SELECT d.machine, CAST(timezone(b.time_zone, d.started_at) AS DATE) AS day, count(*) AS breaks
    FROM sheet_break AS d
    CROSS JOIN bound AS b
    WHERE d.started_at >= b.from_at
    GROUP BY ALL
)
SELECT
    m.machine, m.day, round(m.on_reel_h, 2) AS on_reel_h, round(m.tonnes_t, 1) AS tonnes_t,
    coalesce(b.breaks, 0) AS breaks,
    round(100 * coalesce(b.breaks, 0) / m.on_reel_h, 2) AS per_100_on_reel_h
FROM made AS m
LEFT JOIN broken AS b ON b.machine = m.machine AND b.day = m.day
ORDER BY m.machine, m.day;
