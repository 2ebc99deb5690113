-- How many breaks came soon after a turn-up, by grade?
-- for: engineer
-- Beside them the turn-ups of that grade, so that the share of turn-ups that were followed by a break can be seen.
-- $within_min = 20 [min]: how soon
WITH turn_up AS (
    SELECT r.machine, r.started_at, g.grade
    FROM reel AS r
    ASOF LEFT JOIN grade_run AS g ON g.machine = r.machine AND g.started_at <= r.started_at
    WHERE NOT r.start_uncertain
),
turned AS (
    SELECT machine, grade, count(*) AS turn_ups FROM turn_up GROUP BY machine, grade
),
broken AS (
    SELECT machine, grade, count(*) AS breaks
    FROM sheet_break
    WHERE since_turn_up_s <= 60 * $within_min::DOUBLE
    GROUP BY machine, grade
)
SELECT
    t.machine, t.grade, t.turn_ups, coalesce(b.breaks, 0) AS breaks_soon_after,
    round(100.0 * coalesce(b.breaks, 0) / t.turn_ups, 1) AS share_pct
FROM turned AS t
LEFT JOIN broken AS b ON b.machine = t.machine AND b.grade IS NOT DISTINCT FROM t.grade
ORDER BY t.machine, t.grade;
