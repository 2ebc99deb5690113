-- The loss of the sheet before another one of the same machine.
SELECT
    b.downtime_id, b.kind, b.section, epoch_ms(b.started_at) AS started_ms,
    epoch_ms(d.started_at) - epoch_ms(b.ended_at) AS between_ms
FROM downtime AS d
ASOF JOIN downtime AS b ON b.machine = d.machine AND b.started_at < d.started_at
WHERE d.downtime_id = $id AND b.ended_at IS NOT NULL
