-- The values of the first three times of a file.

SELECT at_ms, machine, tag, kind, number, text
FROM spool
WHERE file = $file AND fault IS NULL AND at_ms IN (
    SELECT DISTINCT at_ms FROM spool WHERE file = $file AND fault IS NULL ORDER BY at_ms LIMIT 3
)
ORDER BY at_ms, machine, record, place
