-- What were the hourly means of some tags, with how far each hour spread?
-- for: analyst
-- Plain means of the good samples. Hours are of UTC, by division and not by a time zone, which would take eight times
-- as long. To give each tag a column, wrap it: PIVOT (…) ON tag IN ('…') USING first(mean).
-- $tags = press.draw,reel.speed: names of tags, with commas between
-- $days = 1 [d]: how far back, from the newest data
SELECT
    t.machine, make_timestamptz(epoch_ms(s.sampled_at) // 3600000 * 3600000000) AS hour_at, t.tag,
    round(avg(s.value), 4) AS mean, min(s.value) AS lowest, max(s.value) AS highest, count(*) AS samples
FROM sample AS s
JOIN tag AS t ON t.tag_id = s.tag_id
WHERE t.tag IN (SELECT trim(unnest(string_split($tags, ',')))) AND s.flags & 2 = 0 AND s.value IS NOT NULL
  AND s.sampled_at > (SELECT data_to FROM published) - to_days($days::INTEGER)
GROUP BY ALL
ORDER BY t.machine, t.tag, hour_at;
