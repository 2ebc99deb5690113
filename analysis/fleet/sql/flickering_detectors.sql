-- Which sheet detectors flicker most and want cleaning or adjusting?
SELECT
    mill, machine, tag,
    CAST(sum(count) AS BIGINT) AS flickers,
    count(DISTINCT day) AS days,
    max(ended_at) AS newest_at
FROM detector_fault
WHERE kind = 'flicker'
GROUP BY mill, machine, tag
ORDER BY flickers DESC, mill, machine, tag
LIMIT 20
