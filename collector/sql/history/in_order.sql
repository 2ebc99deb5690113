-- Everything that can be taken, in order of time. Of two values of one tag at one time the one further down holds.

SELECT at_ms, machine, tag, kind, number, text
FROM spool
WHERE fault IS NULL
ORDER BY at_ms, machine, file, record, place
