-- The end of the newest planned sheet-off of an hour or more before a loss.
SELECT epoch_ms(max(ended_at)) AS washed_ms
FROM downtime
WHERE machine = $machine
  AND kind = 'planned'
  AND epoch_ms(ended_at) <= $at_ms
  AND lost_s >= 3600;
