-- The values of the first three times of a file.

SELECT at_ms, machine, tag, kind, number, text
FROM spool
WHERE file = $file AND NOT faulty AND at_ms IN (
    SELECT DISTINCT at_ms FROM spool WHERE file = $file AND NOT faulty ORDER BY at_ms LIMIT 3
)
ORDER BY at_ms, machine, rowid
