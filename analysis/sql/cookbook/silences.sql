-- When was nothing heard of a machine, and was the collector running then?
-- for: analyst
-- 'running' tells whether one run of the collector covers the whole silence: then it was the machine or its gateway.
SELECT
    s.machine, s.started_at, s.ended_at,
    round((epoch_ms(s.ended_at) - epoch_ms(s.started_at)) / 60000.0, 1) AS silent_min,
    EXISTS (
        SELECT 1 FROM collector_run AS r
        WHERE r.started_at <= s.started_at AND coalesce(r.ended_at, (SELECT published_at FROM published)) >= s.ended_at
    ) AS running
FROM machine_state AS s
WHERE s.state = 'no_data' AND s.ended_at IS NOT NULL
ORDER BY s.machine, s.started_at;
