-- What was the reel made of: where did each process tag stand while it was wound?
-- for: crew
-- Plain means of the good samples taken with the sheet on the reel. An empty number means the newest finished reel.
-- $reel = : number of the reel
WITH wanted AS (
    SELECT machine, reel, started_at, coalesce(ended_at, (SELECT data_to FROM published)) AS ended_at
    FROM reel
    WHERE CASE WHEN $reel = '' THEN ended_at IS NOT NULL ELSE reel = $reel END
    ORDER BY started_at DESC
    LIMIT 1
),
wound AS (
    SELECT
        w.machine, w.reel, greatest(s.started_at, w.started_at) AS from_at,
        least(coalesce(s.ended_at, w.ended_at), w.ended_at) AS to_at
    FROM wanted AS w
    JOIN machine_state AS s ON s.machine = w.machine AND s.state = 'on_reel'
    WHERE s.started_at < w.ended_at AND coalesce(s.ended_at, w.ended_at) > w.started_at
),
hour AS (
    SELECT *, unnest(generate_series(epoch_ms(from_at) // 3600000, epoch_ms(to_at) // 3600000)) AS hour_no FROM wound
)
SELECT
    h.reel, t.section, t.tag, t.unit, round(avg(s.value), 3) AS mean, min(s.value) AS lowest, max(s.value) AS highest,
    count(*) AS samples
FROM sample AS s
JOIN hour AS h ON h.machine = s.machine AND h.hour_no = epoch_ms(s.sampled_at) // 3600000
JOIN tag AS t ON t.tag_id = s.tag_id
WHERE s.sampled_at >= h.from_at AND s.sampled_at < h.to_at AND t.use = 'process' AND s.value IS NOT NULL
  AND s.flags & 2 = 0
GROUP BY h.reel, t.section, t.tag, t.unit
ORDER BY t.tag;
