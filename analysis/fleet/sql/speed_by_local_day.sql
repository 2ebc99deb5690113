-- How fast did each machine run, day by day of its mill's own clock, by the samples themselves?
-- The day of a change of the clocks has 23 or 25 hours, so another number of samples. The speed tag is the one that the
-- machine's signals name. On a large lake say WHERE s.day …, so that only those days' files are opened.
SELECT
    s.mill, s.machine,
    strftime(timezone(m.time_zone, s.sampled_at), '%Y-%m-%d') AS local_day,
    count(s.value) AS samples,
    round(avg(s.value), 4) AS mean_m_min,
    round(max(s.value), 4) AS highest_m_min
FROM sample AS s
JOIN signal AS g ON g.mill = s.mill AND g.machine = s.machine AND g.tag = s.tag AND g.role = 'speed'
JOIN mill AS m ON m.mill = s.mill
GROUP BY 1, 2, 3
ORDER BY 1, 2, 3
