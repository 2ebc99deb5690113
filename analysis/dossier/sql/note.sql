-- Every note on one downtime, also those that no longer hold.
SELECT
    kind,
    cause,
    certainty,
    comment,
    new_kind,
    noted_by,
    epoch_ms(noted_at) AS noted_ms,
    withdrawn,
    holds
FROM note
WHERE machine = $machine AND downtime_id = $downtime_id
ORDER BY noted_ms;
