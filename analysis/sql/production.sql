-- What was made in the time asked for; each row covers on-reel time within one clock hour.
SELECT
    epoch_ms(started_at) AS started_ms,
    epoch_ms(ended_at) AS ended_ms,
    grade,
    shade,
    reel,
    length_m,
    tonnes_t
FROM production
WHERE machine = $machine
  AND epoch_ms(started_at) < $to_ms
  AND epoch_ms(ended_at) > $from_ms
ORDER BY started_ms;
