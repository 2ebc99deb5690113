-- Every attempt at threading that began in the time asked for.
SELECT
    downtime_id,
    attempt,
    epoch_ms(started_at) AS started_ms,
    epoch_ms(ended_at) AS ended_ms,
    reached_section,
    outcome
FROM threading_attempt
WHERE machine = $machine
  AND epoch_ms(started_at) >= $from_ms
  AND epoch_ms(started_at) < $to_ms
ORDER BY started_ms, attempt;
