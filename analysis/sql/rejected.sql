-- Why messages could not be used, the most frequent reason first.
SELECT
    reason,
    count(*) AS times
FROM rejected_message
GROUP BY reason
ORDER BY times DESC, reason;
