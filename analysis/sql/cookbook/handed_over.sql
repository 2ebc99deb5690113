-- What did each shift hand over: losses, minutes, breaks still to be coded, and what the machine did at its end?
-- for: crew
-- A loss belongs to the shift in which it began, with all its minutes. The last shift may still go on.
-- $days = 3 [d]: how far back, from the newest data
WITH lost AS (
    SELECT
        machine, shift_date, shift, count(*) AS losses, sum(lost_s) / 60 AS lost_min,
        count(*) FILTER (WHERE kind = 'break' AND cause IS NULL) AS to_code
    FROM downtime
    GROUP BY machine, shift_date, shift
),
ended AS (
    SELECT c.machine, s.*, least(s.ended_at, c.last_at) AS seen_at
    FROM shift AS s
    CROSS JOIN machine AS c
    WHERE s.started_at < c.last_at AND s.ended_at > c.last_at - to_days($days::INTEGER)
)
SELECT
    e.machine, e.shift_date, e.shift, e.crew, coalesce(l.losses, 0) AS losses,
    round(coalesce(l.lost_min, 0), 1) AS lost_min,
    coalesce(l.to_code, 0) AS to_code, z.state AS state_at_end
FROM ended AS e
LEFT JOIN lost AS l ON l.machine = e.machine AND l.shift_date = e.shift_date AND l.shift = e.shift
ASOF LEFT JOIN machine_state AS z ON z.machine = e.machine AND z.started_at <= e.seen_at
ORDER BY e.machine, e.started_at;
