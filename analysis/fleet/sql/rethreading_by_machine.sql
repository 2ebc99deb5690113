-- How long does it take to bring the sheet back after a break, and in how many attempts?
-- Medians, since a few long ones would carry the mean away. Breaks with an uncertain start or end are left out.
SELECT
    mill, machine,
    count(*) AS breaks,
    round(median(lost_s) / 60, 3) AS median_min,
    round(avg(attempts), 3) AS mean_attempts
FROM sheet_break
WHERE ended_at IS NOT NULL AND NOT start_uncertain AND NOT end_uncertain
GROUP BY mill, machine
ORDER BY mill, machine
