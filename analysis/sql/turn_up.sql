-- Every turn-up in the time asked for; a reel number merely heard for the first time is none.
SELECT epoch_ms(started_at) AS at_ms
FROM reel
WHERE machine = $machine
  AND NOT start_uncertain
  AND epoch_ms(started_at) >= $from_ms
  AND epoch_ms(started_at) < $to_ms
ORDER BY at_ms;
