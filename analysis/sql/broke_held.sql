-- The newest good and plausible value of each tag of a broke ledger in a stretch of time.
WITH tag_of AS (
    SELECT role, tag FROM signal WHERE machine = $machine AND role IN ('speed', 'basis_weight')
    UNION ALL
    SELECT role, tag
    FROM (VALUES ('level', $level), ('dosing', $dosing), ('returned', $returned), ('spilled', $spilled)) AS given (role, tag)
    WHERE tag IS NOT NULL
)
SELECT t.role, arg_max(s.value, s.sampled_at) AS held
FROM sample AS s
JOIN tag_of AS t ON t.tag = s.tag
WHERE s.machine = $machine
  AND s.value IS NOT NULL
  AND s.flags & 2 = 0
  AND s.sampled_at >= make_timestamptz($from_ms::BIGINT * 1000)
  AND s.sampled_at < make_timestamptz($to_ms::BIGINT * 1000)
GROUP BY t.role;
