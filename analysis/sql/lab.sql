-- Laboratory results of samples taken in the time asked for.
SELECT
    epoch_ms(sampled_at) AS sampled_ms,
    test,
    value,
    reel
FROM lab
WHERE machine = $machine
  AND holds
  AND epoch_ms(sampled_at) >= $from_ms
  AND epoch_ms(sampled_at) < $to_ms
ORDER BY sampled_ms, test;
