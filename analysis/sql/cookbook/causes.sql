-- What do the causes cost, in breaks, minutes and tonnes?
-- for: engineer
-- What nobody has coded is a row of its own. Open breaks count, but have no minutes yet. Share: of all lost minutes.
SELECT
    b.machine, b.cause, c.name, count(*) AS breaks, round(sum(b.lost_s) / 60, 1) AS lost_min,
    round(sum(b.lost_t), 2) AS lost_t,
    round(100 * sum(b.lost_s) / sum(sum(b.lost_s)) OVER (PARTITION BY b.machine), 1) AS share_pct
FROM sheet_break AS b
LEFT JOIN cause AS c ON c.code = b.cause
GROUP BY b.machine, b.cause, c.name
ORDER BY b.machine, lost_min DESC NULLS LAST, b.cause;
