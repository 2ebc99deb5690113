-- Which breaks has nobody coded yet, the longest first?
-- for: crew
-- An open break has no length yet and stands first.
-- $days = 7 [d]: how far back, from the newest data
SELECT
    b.downtime_id, timezone(m.time_zone, b.started_at) AS lost_local, b.section, round(b.lost_s / 60, 1) AS lost_min,
    b.crew, b.grade
FROM sheet_break AS b
CROSS JOIN mill AS m
WHERE b.cause IS NULL AND b.started_at >= (SELECT data_to FROM published) - to_days($days::INTEGER)
ORDER BY b.lost_s DESC NULLS FIRST, b.started_at;
