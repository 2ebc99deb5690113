-- How does a tag go, minute by minute, around the breaks of a section, all laid over each other?
-- for: analyst
-- Offsets are from the loss, negative before it. Means of all good samples in a step, over all breaks.
-- $tag = press.draw: which tag
-- $section = press: where the sheet was lost
-- $before_min = 60 [min]: how long before
-- $after_min = 30 [min]: how long after
-- $step_min = 10 [min]: width of a step
WITH loss AS (
    SELECT
        downtime_id, machine, started_at, started_at - to_minutes($before_min::INTEGER) AS from_at,
        started_at + to_minutes($after_min::INTEGER) AS to_at
    FROM sheet_break
    WHERE section = $section
),
hour AS (
    SELECT *, unnest(generate_series(epoch_ms(from_at) // 3600000, epoch_ms(to_at) // 3600000)) AS hour_no FROM loss
)
SELECT
    h.machine,
    floor((epoch_ms(s.sampled_at) - epoch_ms(h.started_at)) / 60000 / $step_min::DOUBLE) * $step_min::DOUBLE
        AS from_min,
    round(avg(s.value), 4) AS mean, min(s.value) AS lowest, max(s.value) AS highest,
    count(DISTINCT h.downtime_id) AS breaks, count(*) AS samples
FROM sample AS s
JOIN hour AS h ON h.machine = s.machine AND h.hour_no = epoch_ms(s.sampled_at) // 3600000
WHERE s.tag = $tag AND s.sampled_at >= h.from_at AND s.sampled_at < h.to_at AND s.value IS NOT NULL AND s.flags & 2 = 0
GROUP BY h.machine, from_min
ORDER BY h.machine, from_min;
