-- Every loss of the sheet, whatever its kind; secondary is null where the length of the run before is not known.
SELECT
    downtime_id,
    kind,
    epoch_ms(started_at) AS started_ms,
    coalesce(section, '') AS section,
    secondary
FROM downtime
WHERE machine = $machine
  AND epoch_ms(started_at) < $until_ms
ORDER BY started_ms;
