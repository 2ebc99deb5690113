-- Notes that change nothing.
SELECT
    kind,
    reason,
    downtime_id,
    noted_by,
    epoch_ms(noted_at) AS noted_ms
FROM orphan_note
WHERE machine = $machine
ORDER BY noted_at, note_id;
