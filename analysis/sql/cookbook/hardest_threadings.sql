-- Which losses of the sheet took the most attempts to thread back?
-- for: crew
-- $most = 10: how many to list
SELECT
    d.downtime_id, timezone(m.time_zone, d.started_at) AS lost_local, d.kind, d.section, d.crew, d.attempts,
    round(d.lost_s / 60, 1) AS lost_min
FROM downtime AS d
CROSS JOIN mill AS m
WHERE d.attempts IS NOT NULL
ORDER BY d.attempts DESC, d.lost_s DESC NULLS LAST, d.started_at
LIMIT $most::INTEGER;
