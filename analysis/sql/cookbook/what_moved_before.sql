-- Which process tags moved most just before a break?
-- for: engineer
-- The mean of the last minutes against the two hours before them, in spreads of those. An empty id means the newest
-- break. What moved most need not be the cause: the dossier of the break shows each tag beside quiet runs.
-- $downtime = : id of the downtime
-- $last_min = 10 [min]: how long the last minutes are
WITH loss AS (
    SELECT machine, started_at, started_at - to_minutes($last_min::INTEGER) AS last_at
    FROM downtime
    WHERE CASE WHEN $downtime = '' THEN kind = 'break' ELSE downtime_id = $downtime END
    ORDER BY started_at DESC
    LIMIT 1
),
hour AS (
    SELECT *, unnest(generate_series(epoch_ms(last_at) // 3600000 - 2, epoch_ms(started_at) // 3600000)) AS hour_no
    FROM loss
),
each AS (
    SELECT
        t.tag, t.section, t.unit,
        avg(s.value) FILTER (WHERE s.sampled_at >= h.last_at) AS last_mean,
        avg(s.value) FILTER (WHERE s.sampled_at < h.last_at) AS mean_before,
        stddev_samp(s.value) FILTER (WHERE s.sampled_at < h.last_at) AS spread
    FROM sample AS s
    JOIN hour AS h ON h.machine = s.machine AND h.hour_no = epoch_ms(s.sampled_at) // 3600000
    JOIN tag AS t ON t.tag_id = s.tag_id
    WHERE t.use = 'process' AND s.flags & 2 = 0 AND s.value IS NOT NULL
      AND s.sampled_at >= h.last_at - INTERVAL 2 HOUR AND s.sampled_at < h.started_at
    GROUP BY t.tag, t.section, t.unit
)
SELECT
    tag, section, unit, round(last_mean, 3) AS last_mean, round(mean_before, 3) AS mean_before,
    round(spread, 3) AS spread,
    CASE WHEN spread > 0 THEN round((last_mean - mean_before) / spread, 2) END AS moved_spreads
FROM each
WHERE last_mean IS NOT NULL AND mean_before IS NOT NULL
ORDER BY abs((last_mean - mean_before) / nullif(spread, 0)) DESC NULLS LAST, tag;
