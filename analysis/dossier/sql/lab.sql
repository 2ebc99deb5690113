-- The newest laboratory results of samples taken before a loss, one of each test.
SELECT test, value, unit, reel, epoch_ms(sampled_at) AS sampled_ms
FROM lab
WHERE machine = $machine
  AND holds
  AND epoch_ms(sampled_at) <= $at_ms
  AND epoch_ms(sampled_at) > $from_ms
QUALIFY row_number() OVER (PARTITION BY test ORDER BY sampled_at DESC) = 1
ORDER BY test;
