-- Does the sheet break more often in the first hour of a shift?
-- for: crew
-- Rates are per 100 hours on the reel, so that a shift that began without sheet does not look better than it was.
-- $first_min = 60 [min]: how long a shift counts as young
WITH part AS (
    SELECT 'first' AS part, started_at AS from_at, started_at + to_minutes($first_min::INTEGER) AS to_at FROM shift
    UNION ALL
    SELECT 'rest', started_at + to_minutes($first_min::INTEGER), ended_at FROM shift
),
on_reel AS (
    SELECT
        p.part, s.machine,
        sum(epoch_ms(least(s.ended_at, p.to_at)) - epoch_ms(greatest(s.started_at, p.from_at))) / 3600000.0 AS on_reel_h
    FROM part AS p
    JOIN (
        SELECT s.machine, s.started_at, coalesce(s.ended_at, h.last_at) AS ended_at
        FROM machine_state AS s
        JOIN machine AS h ON h.machine = s.machine
        WHERE s.state = 'on_reel'
    ) AS s ON s.started_at < p.to_at AND s.ended_at > p.from_at
    GROUP BY p.part, s.machine
),
broken AS (
    SELECT
        b.machine,
        CASE WHEN b.started_at < s.started_at + to_minutes($first_min::INTEGER) THEN 'first' ELSE 'rest' END AS part,
        count(*) AS breaks
    FROM sheet_break AS b
    ASOF JOIN shift AS s ON s.started_at <= b.started_at
    WHERE b.started_at < s.ended_at
    GROUP BY ALL
)
SELECT
    o.machine, o.part, coalesce(b.breaks, 0) AS breaks, round(o.on_reel_h, 2) AS on_reel_h,
    round(100 * coalesce(b.breaks, 0) / o.on_reel_h, 2) AS per_100_on_reel_h
FROM on_reel AS o
LEFT JOIN broken AS b ON b.machine = o.machine AND b.part = o.part
ORDER BY o.machine, o.part;
