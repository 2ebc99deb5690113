-- Notes that speak of some downtimes, oldest first, each with the id that its downtime has now; and what takes them back.
SELECT
    n.note_id, n.kind, coalesce(a.downtime_id, n.downtime_id) AS downtime_id, n.cause, n.certainty, n.comment,
    n.noted_by AS by, epoch_ms(n.noted_at) AS noted_ms, n.new_kind, n.withdrawn
FROM note AS n
LEFT JOIN downtime_alias AS a ON a.old_id = n.downtime_id
WHERE n.machine = $machine AND n.kind IN ('cause', 'kind') AND list_contains($ids, coalesce(a.downtime_id, n.downtime_id))
ORDER BY n.noted_at, n.received_at
