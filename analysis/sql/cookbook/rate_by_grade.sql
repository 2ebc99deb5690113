-- How often does the sheet break, by grade?
-- for: engineer
-- Per 100 hours on the reel. Primary breaks only: a secondary one belongs to the break before it.
WITH made AS (
    SELECT machine, grade, sum(epoch_ms(ended_at) - epoch_ms(started_at)) / 3600000.0 AS on_reel_h
    FROM production
    GROUP BY machine, grade
),
broken AS (
    SELECT machine, grade, count(*) FILTER (WHERE secondary IS NOT TRUE) AS breaks, count(*) FILTER (WHERE secondary)
        AS secondary
    FROM sheet_break
    GROUP BY machine, grade
)
SELECT
    m.machine, m.grade, round(m.on_reel_h, 2) AS on_reel_h, coalesce(b.breaks, 0) AS breaks,
    coalesce(b.secondary, 0) AS secondary, round(100 * coalesce(b.breaks, 0) / m.on_reel_h, 2) AS per_100_on_reel_h
FROM made AS m
LEFT JOIN broken AS b ON b.machine = m.machine AND b.grade IS NOT DISTINCT FROM m.grade
ORDER BY m.machine, m.grade;
