-- Was the draw different before press breaks from what it is in quiet hours?
-- for: engineer
-- Each window counts once, with the mean of its samples: the time before a loss, or a clock hour that was wholly on the
-- reel and so was the next. A first look only: 'breakhorn evidence' matches grade and speed and gives intervals.
-- $tag = press.draw: which tag
-- $section = press: where the sheet was lost
-- $before_min = 30 [min]: how long before each loss
WITH loss AS (
    SELECT machine, started_at - to_minutes($before_min::INTEGER) AS from_at, started_at AS to_at
    FROM sheet_break
    WHERE section = $section
),
whole AS (
    SELECT machine, epoch_ms(started_at) // 3600000 AS hour_no
    FROM production
    GROUP BY machine, hour_no
    HAVING sum(epoch_ms(ended_at) - epoch_ms(started_at)) = 3600000
),
quiet AS (
    SELECT w.machine, make_timestamptz(w.hour_no * 3600000000) AS from_at,
        make_timestamptz((w.hour_no + 1) * 3600000000) AS to_at
    FROM whole AS w
    SEMI JOIN whole AS n ON n.machine = w.machine AND n.hour_no = w.hour_no + 1
),
span AS (
    SELECT 'before breaks' AS windows, * FROM loss UNION ALL SELECT 'quiet hours', * FROM quiet
),
hour AS (
    SELECT *, unnest(generate_series(epoch_ms(from_at) // 3600000, (epoch_ms(to_at) - 1) // 3600000)) AS hour_no
    FROM span
),
each AS (
    SELECT h.machine, h.windows, h.from_at, avg(s.value) AS mean
    FROM sample AS s
    JOIN hour AS h ON h.machine = s.machine AND h.hour_no = epoch_ms(s.sampled_at) // 3600000
    WHERE s.tag = $tag AND s.sampled_at >= h.from_at AND s.sampled_at < h.to_at AND s.flags & 2 = 0
    GROUP BY h.machine, h.windows, h.from_at
)
SELECT
    machine, windows, count(mean) AS number, round(avg(mean), 3) AS mean, round(stddev_samp(mean), 3) AS spread,
    round(min(mean), 3) AS lowest, round(max(mean), 3) AS highest
FROM each
GROUP BY machine, windows
ORDER BY machine, windows;
