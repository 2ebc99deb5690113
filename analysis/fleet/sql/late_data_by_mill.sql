-- Which mill's data come late, out of range or bad, and how many of a million?
SELECT
    mill,
    CAST(sum(samples) AS BIGINT) AS samples,
    CAST(sum(late) AS BIGINT) AS late,
    CAST(sum(out_of_range) AS BIGINT) AS out_of_range,
    CAST(sum(bad) AS BIGINT) AS bad,
    round(1e6 * sum(late) / sum(samples), 3) AS late_per_million
FROM message_count
GROUP BY mill
HAVING sum(samples) > 0
ORDER BY late_per_million DESC, mill
