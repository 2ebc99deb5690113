-- Every stretch of machine state that touches the time asked for.
SELECT
    state,
    epoch_ms(started_at) AS started_ms,
    epoch_ms(ended_at) AS ended_ms
FROM machine_state
WHERE machine = $machine
  AND epoch_ms(started_at) < $to_ms
  AND (ended_at IS NULL OR epoch_ms(ended_at) > $from_ms)
ORDER BY started_ms;
