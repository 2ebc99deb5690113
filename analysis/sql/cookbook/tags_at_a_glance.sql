-- What is there: every tag with its unit, its use, how many samples, and from when to when?
-- for: analyst
-- Counts of the last days only, since counting all of a year takes its time.
-- $days = 1 [d]: how far back to count, from the newest data
WITH counted AS (
    SELECT
        tag_id, count(*) AS samples, count(*) FILTER (WHERE flags & 2 > 0) AS out_of_range,
        count(*) - count(value) AS bad
    FROM sample
    WHERE sampled_at > (SELECT data_to FROM published) - to_days($days::INTEGER)
    GROUP BY tag_id
)
SELECT
    t.machine, t.tag, t.unit, t.section, t.use, coalesce(c.samples, 0) AS samples,
    coalesce(c.out_of_range, 0) AS out_of_range, coalesce(c.bad, 0) AS bad, t.first_at, t.last_at
FROM tag AS t
LEFT JOIN counted AS c ON c.tag_id = t.tag_id
ORDER BY t.machine, t.tag;
