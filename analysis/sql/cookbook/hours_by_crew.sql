-- How many hours was each crew on duty, and how many of them was the sheet on the reel?
-- for: analyst
-- Minutes are split at the ends of shifts, so the hours add up. From the first data to the newest.
WITH duty AS (
    SELECT c.machine, s.crew, greatest(s.started_at, c.first_at) AS from_at, least(s.ended_at, c.last_at) AS to_at
    FROM shift AS s
    CROSS JOIN machine AS c
    WHERE s.started_at < c.last_at AND s.ended_at > c.first_at
),
on_reel AS (
    SELECT
        d.machine, d.crew,
        sum(epoch_ms(least(coalesce(s.ended_at, d.to_at), d.to_at)) - epoch_ms(greatest(s.started_at, d.from_at))) AS ms
    FROM duty AS d
    JOIN machine_state AS s
        ON s.machine = d.machine AND s.started_at < d.to_at AND coalesce(s.ended_at, d.to_at) > d.from_at
    WHERE s.state = 'on_reel'
    GROUP BY d.machine, d.crew
),
worked AS (
    SELECT machine, crew, sum(epoch_ms(to_at) - epoch_ms(from_at)) AS ms FROM duty GROUP BY machine, crew
)
SELECT
    w.machine, w.crew, round(w.ms / 3600000.0, 2) AS on_duty_h, round(coalesce(o.ms, 0) / 3600000.0, 2) AS on_reel_h,
    round(100.0 * coalesce(o.ms, 0) / w.ms, 1) AS share_pct
FROM worked AS w
LEFT JOIN on_reel AS o ON o.machine = w.machine AND o.crew = w.crew
ORDER BY w.machine, w.crew;
