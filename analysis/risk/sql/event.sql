-- What a minute may count its distance from. A reel or grade that was merely heard of first is no change to it.
SELECT 'turn-up' AS event, '' AS name, epoch_ms(started_at) AS at_ms
FROM reel
WHERE machine = $machine AND NOT start_uncertain AND epoch_ms(started_at) < $until_ms
UNION ALL
SELECT 'grade run', coalesce(grade, ''), epoch_ms(started_at)
FROM grade_run
WHERE machine = $machine AND epoch_ms(started_at) < $until_ms
UNION ALL
SELECT 'grade change', '', epoch_ms(started_at)
FROM grade_run
WHERE machine = $machine AND NOT start_uncertain AND epoch_ms(started_at) < $until_ms
UNION ALL
SELECT 'clothing', position, epoch_ms(installed_at)
FROM clothing
WHERE machine = $machine AND epoch_ms(installed_at) < $until_ms
ORDER BY event, at_ms, name;
