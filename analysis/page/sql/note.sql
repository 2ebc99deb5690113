-- Notes that speak of some downtimes, or of those merged into them, oldest first, each with the id that its downtime has
-- now. A loss that was added by a note has the id that its start gives it.
WITH RECURSIVE said AS (
    SELECT
        n.*,
        CASE
            WHEN n.kind = 'missed'
                THEN n.machine || '-' || strftime(n.started_at AT TIME ZONE 'UTC', '%Y%m%dT%H%M%SZ')
            ELSE coalesce(a.downtime_id, n.downtime_id)
        END AS of_downtime,
        coalesce(b.downtime_id, n.merge_into) AS absorbed_by
    FROM note AS n
    LEFT JOIN downtime_alias AS a ON a.old_id = n.downtime_id
    LEFT JOIN downtime_alias AS b ON b.old_id = n.merge_into
    WHERE n.machine = $machine AND n.kind IN ('cause', 'kind', 'missed', 'merge')
),
member AS (
    SELECT unnest($ids) AS member_id, member_id AS downtime_id
    UNION
    SELECT s.of_downtime, m.downtime_id
    FROM said AS s
    JOIN member AS m ON m.member_id = s.absorbed_by
    WHERE s.kind = 'merge' AND s.holds
)
SELECT
    s.note_id, s.kind, m.downtime_id, s.cause, s.certainty, s.comment, s.noted_by AS by,
    epoch_ms(s.noted_at) AS noted_ms, s.new_kind, s.withdrawn
FROM said AS s
JOIN member AS m ON m.member_id = s.of_downtime
ORDER BY s.noted_at, s.received_at
