-- Which ten nights cost most?
-- for: engineer
-- Paper not made at its margin, and broke at what making it into paper again costs. Money that mill.toml does not set
-- leaves its cell empty. A loss belongs to the shift in which it began.
-- $shift = night: name of the shift
-- $most = 10: how many to list
SELECT
    d.shift_date, d.shift, d.crew, count(*) AS losses, round(sum(d.lost_s) / 60, 1) AS lost_min,
    round(sum(d.lost_t), 2) AS lost_t, round(sum(d.broke_t), 2) AS broke_t,
    round(sum(d.lost_t) * any_value(m.margin_per_t) + sum(d.broke_t) * any_value(m.broke_cost_per_t), 0) AS cost,
    any_value(m.currency) AS currency
FROM downtime AS d
CROSS JOIN mill AS m
WHERE d.shift = $shift AND d.kind <> 'planned'
GROUP BY d.shift_date, d.shift, d.crew
ORDER BY cost DESC NULLS LAST, lost_min DESC, d.shift_date
LIMIT $most::INTEGER;
