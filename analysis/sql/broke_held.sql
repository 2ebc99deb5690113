-- The newest good and plausible value of each tag of a broke ledger in a stretch of time. A row for each role that has a tag;
-- said: whether there is such a value.
WITH tag_of AS (
    SELECT role, tag FROM signal WHERE machine = $machine AND role IN ('speed', 'basis_weight')
    UNION ALL
    SELECT role, tag
    FROM (VALUES ('level', $level), ('dosing', $dosing), ('returned', $returned), ('spilled', $spilled)) AS given (role, tag)
    WHERE tag IS NOT NULL
),
role AS MATERIALIZED (
    SELECT o.role, t.tag_id
    FROM tag_of AS o
    JOIN tag AS t ON t.machine = $machine AND t.tag = o.tag
),
newest AS (
    SELECT tag_id, arg_max(value, sampled_at) AS held
    FROM numbered_sample
    WHERE tag_id IN (SELECT tag_id FROM role)
      AND value IS NOT NULL
      AND flags & 2 = 0
      AND sampled_at >= make_timestamptz($from_ms::BIGINT * 1000)
      AND sampled_at < make_timestamptz($to_ms::BIGINT * 1000)
    GROUP BY tag_id
)
SELECT r.role, n.tag_id IS NOT NULL AS said, n.held
FROM role AS r
LEFT JOIN newest AS n ON n.tag_id = r.tag_id;
