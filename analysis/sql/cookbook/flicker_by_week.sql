-- Which photo-eyes flicker, week by week?
-- for: engineer
-- A change too short to count is a flicker; a dirty eye shows here before it costs a sheet. Weeks begin on Monday.
SELECT
    f.machine, CAST(date_trunc('week', f.day) AS DATE) AS week, f.tag, d.section, sum(f.count)::BIGINT AS flickers,
    count(*) AS days
FROM detector_fault AS f
LEFT JOIN sheet_detector AS d ON d.machine = f.machine AND d.tag = f.tag
WHERE f.kind = 'flicker'
GROUP BY f.machine, week, f.tag, d.section
ORDER BY f.machine, week, flickers DESC, f.tag;
