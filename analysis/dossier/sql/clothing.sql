-- What was on each position at a loss, and since when.
SELECT position, epoch_ms(installed_at) AS installed_ms
FROM clothing
WHERE machine = $machine
  AND epoch_ms(installed_at) <= $at_ms
  AND (removed_at IS NULL OR epoch_ms(removed_at) > $at_ms)
ORDER BY position;
