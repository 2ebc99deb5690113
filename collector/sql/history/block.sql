-- Some rows of what stands in order of time.

SELECT at_ms, tag_no, kind, number, text
FROM in_order
WHERE rowid >= ? AND rowid < ?
ORDER BY rowid
