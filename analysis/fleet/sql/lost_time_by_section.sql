-- In which section do all mills together lose the most time to breaks?
-- Breaks that are still open are counted, but have no lost time yet.
SELECT
    coalesce(section, 'not known') AS section,
    count(*) AS breaks,
    count(DISTINCT mill) AS mills,
    round(sum(lost_s) / 3600, 4) AS lost_h,
    round(avg(lost_s) / 60, 3) AS mean_min
FROM sheet_break
GROUP BY 1
ORDER BY lost_h DESC, section
