-- What has broke cost, and what margin was lost with the paper that was not made?
-- One row a mill and currency: money of different currencies is never added up. Unset prices show as null, not as 0.
SELECT
    m.currency, d.mill,
    round(sum(d.broke_t), 4) AS broke_t,
    round(sum(d.broke_t) * m.broke_cost_per_t, 2) AS broke_cost,
    round(sum(d.lost_t), 4) AS lost_t,
    round(sum(d.lost_t) * m.margin_per_t, 2) AS lost_margin
FROM downtime AS d
JOIN mill AS m ON m.mill = d.mill
WHERE d.kind <> 'planned'
GROUP BY m.currency, d.mill, m.broke_cost_per_t, m.margin_per_t
ORDER BY m.currency, d.mill
