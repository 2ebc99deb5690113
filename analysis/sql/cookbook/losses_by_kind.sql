-- How much time went into breaks, stops, sheet-offs and what nobody saw, month by month?
-- for: engineer
-- Months are the mill's; a loss belongs to the month in which it began. Open ones count, but have no hours yet.
SELECT
    d.machine, strftime(timezone(m.time_zone, d.started_at), '%Y-%m') AS month, d.kind, count(*) AS losses,
    round(coalesce(sum(d.lost_s), 0) / 3600, 2) AS lost_h
FROM downtime AS d
CROSS JOIN mill AS m
GROUP BY d.machine, month, d.kind
ORDER BY d.machine, month, lost_h DESC, d.kind;
