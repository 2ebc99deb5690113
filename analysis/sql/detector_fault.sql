-- Every fault of a sheet detector that touches the time asked for; flicker comes as one row a detector and mill day.
SELECT
    tag,
    kind,
    epoch_ms(started_at) AS started_ms,
    epoch_ms(ended_at) AS ended_ms,
    count
FROM detector_fault
WHERE machine = $machine
  AND epoch_ms(started_at) < $to_ms
  AND (ended_at IS NULL OR epoch_ms(ended_at) >= $from_ms)
ORDER BY started_ms, tag, kind;
