-- What a machine was doing at an instant, and since when.
SELECT state, epoch_ms(started_at) AS started_ms
FROM machine_state
WHERE machine = $machine AND epoch_ms(started_at) <= $until_ms
ORDER BY started_at DESC
LIMIT 1;
