-- Every shift that touches the time asked for; shifts are the mill's, not one machine's.
SELECT
    shift_date,
    shift,
    crew,
    epoch_ms(started_at) AS started_ms,
    epoch_ms(ended_at) AS ended_ms
FROM shift
WHERE epoch_ms(started_at) < $to_ms
  AND epoch_ms(ended_at) > $from_ms
ORDER BY started_ms;
