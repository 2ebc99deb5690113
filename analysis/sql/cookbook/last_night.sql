-- What happened last night?
-- for: crew
-- Every loss of the sheet in the last shift of that name that has ended. Times are the mill's.
-- $shift = night: name of the shift
WITH last_shift AS (
    SELECT shift_date, shift FROM shift
    WHERE shift = $shift AND ended_at <= (SELECT data_to FROM published)
    ORDER BY started_at DESC
    LIMIT 1
)
SELECT
    d.machine, timezone(m.time_zone, d.started_at) AS lost_local, d.kind, d.section,
    round(d.lost_s / 60, 1) AS lost_min,
    d.attempts, d.grade, d.cause, d.crew
FROM downtime AS d
JOIN last_shift AS l ON l.shift_date = d.shift_date AND l.shift = d.shift
CROSS JOIN mill AS m
ORDER BY d.started_at;
