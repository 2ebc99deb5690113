-- How much of each grade was made a day, against its plan?
-- for: engineer
-- Over the time in which the order was that grade, downtime included. An empty plan: mill.toml does not set one.
WITH run AS (
    SELECT
        r.machine, r.grade, sum(r.tonnes_t) AS tonnes_t, count(*) = count(r.tonnes_t) AS all_known,
        sum(epoch_ms(coalesce(r.ended_at, c.last_at)) - epoch_ms(r.started_at)) / 86400000.0 AS days
    FROM grade_run AS r
    JOIN machine AS c ON c.machine = r.machine
    GROUP BY r.machine, r.grade
)
SELECT
    r.machine, r.grade, round(r.days, 2) AS days, CASE WHEN r.all_known THEN round(r.tonnes_t, 1) END AS tonnes_t,
    CASE WHEN r.all_known AND r.days > 0 THEN round(r.tonnes_t / r.days, 1) END AS made_t_d, g.plan_t_d,
    CASE WHEN r.all_known AND r.days > 0 THEN round(100 * r.tonnes_t / r.days / g.plan_t_d, 1) END AS of_plan_pct
FROM run AS r
LEFT JOIN grade AS g ON g.grade = r.grade
ORDER BY r.machine, r.grade;
