-- Which messages could not be used, why, and when last?
-- for: analyst
-- At most 1,000 a day are kept whole; message_count counts all of them.
SELECT reason, count(*) AS kept, count(DISTINCT topic) AS topics, min(received_at) AS first_at,
    max(received_at) AS last_at
FROM rejected_message
GROUP BY reason
ORDER BY kept DESC, reason;
