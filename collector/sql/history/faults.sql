-- The first faults of a file. A fault of the time is one of the whole row, however many values it has.

SELECT record, min(place) AS place, fault, any_value(shown), any_value(tag)
FROM spool
WHERE file = ? AND fault IS NOT NULL
GROUP BY record, fault, CASE WHEN fault IN ('number', 'decimal', 'text', 'large') THEN place END
ORDER BY record, place
