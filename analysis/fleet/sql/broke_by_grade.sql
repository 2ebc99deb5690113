-- Of which grade is the most broke made, over all mills?
-- Broke of every kind of downtime, as the rate before it says; downtimes without a rate are counted apart.
SELECT
    coalesce(grade, 'not known') AS grade,
    count(*) AS downtimes,
    count(*) - count(broke_t) AS without_tonnes,
    round(sum(broke_t), 4) AS broke_t
FROM downtime
GROUP BY 1
ORDER BY broke_t DESC NULLS LAST, grade
