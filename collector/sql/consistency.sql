-- What must never be in a store. Every row is a fault: what it is, and where.

SELECT 'sample twice' AS fault, concat_ws(' ', machine, tag, sampled_at) AS detail
FROM (
    SELECT machine, tag, sampled_at FROM main.sample
    UNION ALL
    SELECT machine, tag, sampled_at FROM main.sample_text
)
GROUP BY machine, tag, sampled_at
HAVING count(*) > 1

UNION ALL
SELECT 'sample without its tag', concat_ws(' ', s.tag_id, s.sampled_at)
FROM (SELECT tag_id, sampled_at FROM base.stored_sample UNION ALL SELECT tag_id, sampled_at FROM base.stored_text) AS s
ANTI JOIN base.tag AS t ON t.tag_id = s.tag_id

UNION ALL
SELECT 'replaced row that no part holds, or whose new value is not hot', concat_ws(' ', r.tag_id, r.sampled_at)
FROM base.replaced AS r
ANTI JOIN (
    SELECT tag_id, sampled_at FROM base.hot_sample UNION ALL SELECT tag_id, sampled_at FROM base.hot_text
) AS h ON h.tag_id = r.tag_id AND h.sampled_at = r.sampled_at

UNION ALL
SELECT 'state that ends as it begins', concat_ws(' ', machine, started_at)
FROM main.machine_state WHERE ended_at <= started_at

UNION ALL
SELECT 'two equal states in a row', concat_ws(' ', machine, started_at)
FROM (
    SELECT machine, started_at, state, lag(state) OVER (PARTITION BY machine ORDER BY started_at) AS state_before
    FROM base.machine_state
)
WHERE state = state_before

UNION ALL
SELECT 'downtime that overlaps the next', concat_ws(' ', downtime_id, next_id)
FROM (
    SELECT downtime_id, ended_at, lead(downtime_id) OVER next AS next_id, lead(started_at) OVER next AS next_at
    FROM main.downtime
    WINDOW next AS (PARTITION BY machine ORDER BY started_at)
)
WHERE next_at IS NOT NULL AND coalesce(ended_at > next_at, TRUE)

UNION ALL
SELECT 'downtime that ends as it begins', downtime_id FROM base.downtime WHERE ended_at <= started_at

UNION ALL
SELECT 'attempt outside its downtime', concat_ws(' ', a.downtime_id, a.attempt)
FROM base.threading_attempt AS a
LEFT JOIN base.downtime AS d ON d.downtime_id = a.downtime_id AND d.machine = a.machine
WHERE d.downtime_id IS NULL
   OR a.started_at < d.started_at
   OR a.ended_at > d.ended_at
   OR a.ended_at < a.started_at
   OR (a.ended_at IS NULL AND d.ended_at IS NOT NULL)

UNION ALL
SELECT 'attempt that overlaps the next', concat_ws(' ', downtime_id, attempt)
FROM (
    SELECT downtime_id, attempt, ended_at, lead(started_at) OVER (PARTITION BY downtime_id ORDER BY started_at) AS next_at
    FROM base.threading_attempt
)
WHERE next_at IS NOT NULL AND coalesce(ended_at > next_at, TRUE)

UNION ALL
SELECT 'success that is not the end of its downtime', concat_ws(' ', a.downtime_id, a.attempt)
FROM base.threading_attempt AS a
JOIN base.downtime AS d ON d.downtime_id = a.downtime_id
WHERE a.outcome = 'success' AND a.ended_at IS DISTINCT FROM d.ended_at

UNION ALL
SELECT 'detector fault that overlaps the next of its kind', concat_ws(' ', machine, tag, kind, started_at)
FROM (
    SELECT
        machine, tag, kind, started_at, ended_at,
        lead(started_at) OVER (PARTITION BY machine, tag, kind ORDER BY started_at) AS next_at
    FROM base.detector_fault
)
WHERE ended_at < started_at OR (next_at IS NOT NULL AND coalesce(ended_at > next_at, TRUE))

UNION ALL
SELECT 'production that overlaps the next', concat_ws(' ', machine, started_at)
FROM (
    SELECT machine, started_at, ended_at, lead(started_at) OVER (PARTITION BY machine ORDER BY started_at) AS next_at
    FROM main.production
)
WHERE ended_at < started_at OR ended_at > next_at

UNION ALL
SELECT 'production outside on_reel', concat_ws(' ', p.machine, p.started_at)
FROM main.production AS p
ASOF LEFT JOIN main.machine_state AS s ON s.machine = p.machine AND s.started_at <= p.started_at
WHERE s.state IS DISTINCT FROM 'on_reel' OR p.ended_at > s.ended_at

UNION ALL
SELECT 'note that withdraws itself', note_id FROM base.note WHERE withdraws = note_id

UNION ALL
SELECT 'alias of an alias', a.old_id
FROM base.downtime_alias AS a
JOIN base.downtime_alias AS b ON b.old_id = a.downtime_id

UNION ALL
SELECT 'day file with rows of another day', concat_ws(' ', content, part_id)
FROM base.part
WHERE day IS NOT NULL AND (epoch_us(first_at) // 86400000000 <> epoch_us(last_at) // 86400000000
                           OR epoch_us(first_at) // 86400000000 <> day - DATE '1970-01-01')

ORDER BY fault, detail
