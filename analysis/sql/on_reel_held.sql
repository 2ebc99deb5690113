-- What each quantity that the paper on the reel is judged by was last said to be in a stretch of time; NaN: unknown from then
-- on. A row for each that has a tag; said: whether anything was.
WITH role AS MATERIALIZED (
    SELECT s.role, t.tag_id
    FROM signal AS s
    JOIN tag AS t ON t.machine = s.machine AND t.tag = s.tag
    WHERE s.machine = $machine AND s.role IN ('speed', 'basis_weight', 'moisture')
),
newest AS (
    SELECT tag_id, arg_max(CASE WHEN value IS NULL OR flags & 2 > 0 THEN 'nan'::DOUBLE ELSE value END, sampled_at) AS held
    FROM numbered_sample
    WHERE tag_id IN (SELECT tag_id FROM role)
      AND sampled_at >= make_timestamptz($from_ms::BIGINT * 1000)
      AND sampled_at < make_timestamptz($to_ms::BIGINT * 1000)
    GROUP BY tag_id
)
SELECT r.role, n.tag_id IS NOT NULL AS said, n.held
FROM role AS r
LEFT JOIN newest AS n ON n.tag_id = r.tag_id;
