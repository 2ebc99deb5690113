-- Stretches with the sheet on the reel; one that still goes on ends with the newest data.
SELECT
    epoch_ms(started_at) AS started_ms,
    least(coalesce(epoch_ms(ended_at), $until_ms), $until_ms) AS ended_ms
FROM machine_state
WHERE machine = $machine
  AND state = 'on_reel'
  AND epoch_ms(started_at) < $until_ms
ORDER BY started_ms;
