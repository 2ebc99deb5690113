-- Every grade run that touches the time asked for.
SELECT
    grade,
    shade,
    epoch_ms(started_at) AS started_ms,
    epoch_ms(ended_at) AS ended_ms
FROM grade_run
WHERE machine = $machine
  AND epoch_ms(started_at) < $to_ms
  AND (ended_at IS NULL OR epoch_ms(ended_at) > $from_ms)
ORDER BY started_ms;
