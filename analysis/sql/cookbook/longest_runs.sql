-- Which were the longest runs with the sheet on the reel?
-- for: crew
-- A data gap ends a run here, since nobody saw what happened in it. The last run may still go on.
-- $most = 10: how many to list
SELECT
    s.machine, timezone(m.time_zone, s.started_at) AS began_local,
    round((epoch_ms(coalesce(s.ended_at, h.last_at)) - epoch_ms(s.started_at)) / 3600000.0, 2) AS on_reel_h,
    CASE WHEN s.ended_at IS NULL THEN 'still on' ELSE coalesce(d.kind, 'data gap') END AS ended_by, d.section
FROM machine_state AS s
JOIN machine AS h ON h.machine = s.machine
LEFT JOIN downtime AS d ON d.machine = s.machine AND d.started_at = s.ended_at
CROSS JOIN mill AS m
WHERE s.state = 'on_reel'
ORDER BY on_reel_h DESC, s.started_at
LIMIT $most::INTEGER;
