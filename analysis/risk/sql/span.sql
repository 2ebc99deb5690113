-- First and newest source time of one machine, and the mill's own limit for a secondary break.
SELECT
    epoch_ms(first_at) AS first_ms,
    epoch_ms(last_at) AS last_ms,
    secondary_within_min
FROM machine
WHERE machine = $machine;
