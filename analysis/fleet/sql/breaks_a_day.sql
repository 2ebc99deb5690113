-- How often does the sheet break on each machine, per day on the reel?
-- breaks and on_reel_days are what an exact Poisson interval takes: lower chi2(0.025, 2n) / 2 / days, upper
-- chi2(0.975, 2n + 2) / 2 / days. Secondary breaks are left out, open states count to the machine's newest data.
WITH horizon AS (
    SELECT mill, machine, last_at FROM machine
),
on_reel AS (
    SELECT
        s.mill, s.machine,
        sum(epoch_ms(coalesce(s.ended_at, h.last_at)) - epoch_ms(s.started_at)) / 86400000.0 AS on_reel_days
    FROM machine_state AS s
    JOIN horizon AS h ON h.mill = s.mill AND h.machine = s.machine
    WHERE s.state = 'on_reel'
    GROUP BY s.mill, s.machine
),
lost AS (
    SELECT mill, machine, count(*) AS breaks
    FROM sheet_break
    WHERE NOT coalesce(secondary, FALSE)
    GROUP BY mill, machine
)
SELECT
    o.mill, o.machine, coalesce(l.breaks, 0) AS breaks, round(o.on_reel_days, 4) AS on_reel_days,
    round(coalesce(l.breaks, 0) / o.on_reel_days, 3) AS breaks_a_day
FROM on_reel AS o
LEFT JOIN lost AS l ON l.mill = o.mill AND l.machine = o.machine
ORDER BY o.mill, o.machine
