-- What each quantity that the paper on the reel is judged by was last said to be in a stretch of time; NaN: unknown from then
-- on.
SELECT r.role, arg_max(CASE WHEN s.value IS NULL OR s.flags & 2 > 0 THEN 'nan'::DOUBLE ELSE s.value END, s.sampled_at) AS held
FROM sample AS s
JOIN signal AS r ON r.machine = s.machine AND r.tag = s.tag
WHERE s.machine = $machine
  AND r.role IN ('speed', 'basis_weight', 'moisture')
  AND s.sampled_at >= make_timestamptz($from_ms::BIGINT * 1000)
  AND s.sampled_at < make_timestamptz($to_ms::BIGINT * 1000)
GROUP BY r.role;
