-- At which hours of the day does the sheet break?
-- for: engineer
-- Hours are the mill's. Time on the reel is kept by whole hours of UTC: in a zone half an hour off, so are these.
WITH made AS (
    SELECT
        p.machine, hour(timezone(m.time_zone, p.started_at)) AS hour,
        sum(epoch_ms(p.ended_at) - epoch_ms(p.started_at)) / 3600000.0 AS on_reel_h
    FROM production AS p
    CROSS JOIN mill AS m
    GROUP BY ALL
),
broken AS (
    SELECT b.machine, hour(timezone(m.time_zone, b.started_at)) AS hour, count(*) AS breaks
    FROM sheet_break AS b
    CROSS JOIN mill AS m
    GROUP BY ALL
)
SELECT
    m.machine, m.hour, round(m.on_reel_h, 2) AS on_reel_h, coalesce(b.breaks, 0) AS breaks,
    round(100 * coalesce(b.breaks, 0) / m.on_reel_h, 2) AS per_100_on_reel_h
FROM made AS m
LEFT JOIN broken AS b ON b.machine = m.machine AND b.hour = m.hour
ORDER BY m.machine, m.hour;
