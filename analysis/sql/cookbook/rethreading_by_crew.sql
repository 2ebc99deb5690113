-- How does each crew bring the sheet back: attempts, minutes to the first one, minutes in all?
-- for: crew
-- The crew on duty at the loss. Open downtimes, and those with a data gap in them, are left out. Four breaks are luck,
-- not skill: 'breakhorn threading' says which differences are more than that.
WITH first_attempt AS (
    SELECT downtime_id, min(started_at) AS started_at FROM threading_attempt GROUP BY downtime_id
)
SELECT
    b.machine, b.crew, count(*) AS breaks, round(avg(b.attempts), 2) AS attempts_each,
    round(median(epoch_ms(f.started_at) - epoch_ms(b.started_at)) / 60000, 1) AS median_min_to_first,
    round(median(b.lost_s) / 60, 1) AS median_lost_min
FROM sheet_break AS b
LEFT JOIN first_attempt AS f ON f.downtime_id = b.downtime_id
WHERE b.ended_at IS NOT NULL AND NOT b.end_uncertain AND NOT b.start_uncertain
GROUP BY b.machine, b.crew
ORDER BY b.machine, b.crew;
