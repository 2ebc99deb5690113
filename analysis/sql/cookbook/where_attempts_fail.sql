-- How far does the sheet get in the attempts that fail?
-- for: crew
-- Sections from the wet end; an empty one: lost before the first detector saw it.
WITH path AS (
    SELECT machine, section, min(number) AS place FROM sheet_detector GROUP BY machine, section
)
SELECT
    a.machine, a.reached_section, count(*) AS attempts, count(*) FILTER (WHERE a.outcome = 'held') AS held,
    round(100.0 * count(*) / sum(count(*)) OVER (PARTITION BY a.machine), 1) AS share_pct
FROM threading_attempt AS a
LEFT JOIN path AS p ON p.machine = a.machine AND p.section = a.reached_section
WHERE a.outcome IN ('failed', 'held')
GROUP BY a.machine, a.reached_section
ORDER BY a.machine, any_value(p.place) NULLS FIRST;
