-- At which hour of the mills' own clocks does the sheet break?
SELECT
    CAST(hour(timezone(m.time_zone, b.started_at)) AS BIGINT) AS local_hour,
    count(*) AS breaks,
    count(DISTINCT b.mill) AS mills
FROM sheet_break AS b
JOIN mill AS m ON m.mill = b.mill
GROUP BY 1
ORDER BY 1
