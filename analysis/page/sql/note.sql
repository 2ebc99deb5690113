-- Notes that speak of some downtimes, oldest first, each with the id that its downtime has now. A loss that was added by a
-- note has the id that its start gives it.
WITH said AS (
    SELECT
        n.*,
        CASE
            WHEN n.kind = 'missed'
                THEN n.machine || '-' || strftime(n.started_at AT TIME ZONE 'UTC', '%Y%m%dT%H%M%SZ')
            ELSE coalesce(a.downtime_id, n.downtime_id)
        END AS of_downtime
    FROM note AS n
    LEFT JOIN downtime_alias AS a ON a.old_id = n.downtime_id
    WHERE n.machine = $machine AND n.kind IN ('cause', 'kind', 'missed')
)
SELECT
    note_id, kind, of_downtime AS downtime_id, cause, certainty, comment, noted_by AS by,
    epoch_ms(noted_at) AS noted_ms, new_kind, withdrawn
FROM said
WHERE list_contains($ids, of_downtime)
ORDER BY noted_at, received_at
