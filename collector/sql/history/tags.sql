-- What each tag of a file holds.

SELECT
    machine,
    tag,
    count(*) AS values,
    count(*) FILTER (kind = 0) AS bad,
    count(*) FILTER (kind = 3) AS texts,
    min(at_ms) AS first_ms,
    max(at_ms) AS last_ms,
    min(number) AS lowest,
    max(number) AS highest
FROM spool
WHERE file = ? AND NOT faulty
GROUP BY machine, tag
ORDER BY machine, tag
