-- What stood in the place of a value, and how often, the most frequent first.

SELECT coalesce(text, '') AS word, count(*) AS times
FROM spool
WHERE file = ? AND NOT faulty AND kind = 0
GROUP BY word
ORDER BY times DESC, word
