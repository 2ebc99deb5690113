-- Fabrics and felts of one machine, oldest first.
SELECT
    position,
    epoch_ms(installed_at) AS installed_ms,
    epoch_ms(removed_at) AS removed_ms
FROM clothing
WHERE machine = $machine
ORDER BY position, installed_ms;
