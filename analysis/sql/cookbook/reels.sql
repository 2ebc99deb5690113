-- What did each reel weigh, how long did it take, and how often did the sheet break on it?
-- for: crew
-- $days = 7 [d]: how far back, from the newest data
WITH broken AS (
    SELECT r.machine, r.started_at, count(*) AS breaks
    FROM sheet_break AS b
    ASOF JOIN reel AS r ON r.machine = b.machine AND b.started_at >= r.started_at
    GROUP BY r.machine, r.started_at
)
SELECT
    r.machine, r.reel, timezone(m.time_zone, r.started_at) AS turned_up_local,
    round((epoch_ms(r.ended_at) - epoch_ms(r.started_at)) / 3600000.0, 2) AS took_h, round(r.tonnes_t, 1) AS tonnes_t,
    coalesce(b.breaks, 0) AS breaks
FROM reel AS r
LEFT JOIN broken AS b ON b.machine = r.machine AND b.started_at = r.started_at
CROSS JOIN mill AS m
WHERE r.started_at >= (SELECT data_to FROM published) - to_days($days::INTEGER)
ORDER BY r.machine, r.started_at;
