-- The first and the last good level of a tower in the time asked for, each with its time.
SELECT
    epoch_ms(min(s.sampled_at)) AS first_ms,
    arg_min(s.value, s.sampled_at) AS first_pct,
    epoch_ms(max(s.sampled_at)) AS last_ms,
    arg_max(s.value, s.sampled_at) AS last_pct
FROM sample AS s
WHERE s.machine = $machine
  AND s.tag = $level
  AND s.value IS NOT NULL
  AND s.flags & 2 = 0
  AND s.sampled_at >= make_timestamptz($from_ms::BIGINT * 1000)
  AND s.sampled_at < make_timestamptz($to_ms::BIGINT * 1000);
