-- Which tags were bad or outside their plausible range before breaks?
-- for: engineer
-- Results of a break, and what the mill calls context, are left out.
-- $before_min = 60 [min]: how long before each loss
WITH loss AS (
    SELECT downtime_id, machine, started_at - to_minutes($before_min::INTEGER) AS from_at, started_at AS to_at
    FROM sheet_break
),
hour AS (
    SELECT *, unnest(generate_series(epoch_ms(from_at) // 3600000, epoch_ms(to_at) // 3600000)) AS hour_no FROM loss
)
SELECT
    h.machine, t.tag, t.section, count(DISTINCT h.downtime_id) AS breaks, count(*) AS samples,
    count(*) FILTER (WHERE s.flags & 4 > 0) AS bad
FROM sample AS s
JOIN hour AS h ON h.machine = s.machine AND h.hour_no = epoch_ms(s.sampled_at) // 3600000
JOIN tag AS t ON t.tag_id = s.tag_id
WHERE s.flags & 6 > 0 AND t.use = 'process' AND s.sampled_at >= h.from_at AND s.sampled_at < h.to_at
GROUP BY h.machine, t.tag, t.section
ORDER BY h.machine, breaks DESC, samples DESC, t.tag;
