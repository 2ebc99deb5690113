-- What share of the time with data was each mill's sheet on the reel, month by month of its own clock?
-- States are cut at local midnight of the first: a month in which the clocks change has an hour more or less.
WITH span AS (
    SELECT
        s.mill, s.state, m.time_zone, s.started_at,
        coalesce(s.ended_at, h.last_at) AS ended_at
    FROM machine_state AS s
    JOIN mill AS m ON m.mill = s.mill
    JOIN machine AS h ON h.mill = s.mill AND h.machine = s.machine
    WHERE s.state <> 'no_data'
),
month AS (
    SELECT
        mill, time_zone, first_day,
        timezone(time_zone, first_day) AS from_at,
        timezone(time_zone, first_day + INTERVAL 1 MONTH) AS to_at
    FROM (
        SELECT
            mill, time_zone,
            unnest(generate_series(
                date_trunc('month', timezone(time_zone, min(started_at))),
                date_trunc('month', timezone(time_zone, max(ended_at))),
                INTERVAL 1 MONTH
            )) AS first_day
        FROM span
        GROUP BY mill, time_zone
    )
),
part AS (
    SELECT
        s.mill, strftime(m.first_day, '%Y-%m') AS month, s.state,
        epoch_ms(least(s.ended_at, m.to_at)) - epoch_ms(greatest(s.started_at, m.from_at)) AS ms
    FROM span AS s
    JOIN month AS m ON m.mill = s.mill AND s.started_at < m.to_at AND s.ended_at > m.from_at
)
SELECT
    mill, month,
    round(sum(ms) / 3600000.0, 4) AS with_data_h,
    round(coalesce(sum(ms) FILTER (WHERE state = 'on_reel'), 0) / 3600000.0, 4) AS on_reel_h,
    round(100.0 * coalesce(sum(ms) FILTER (WHERE state = 'on_reel'), 0) / sum(ms), 3) AS on_reel_pct
FROM part
GROUP BY mill, month
ORDER BY mill, month
