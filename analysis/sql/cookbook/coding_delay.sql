-- How soon after a break is its cause noted, and how many have none?
-- for: engineer
-- From the loss to the note that holds. By the crew on duty at the loss, whoever wrote the note.
SELECT
    machine, crew, count(*) AS breaks, count(noted_at) AS coded,
    round(median(epoch_ms(noted_at) - epoch_ms(started_at)) / 60000, 1) AS median_delay_min,
    round(max(epoch_ms(noted_at) - epoch_ms(started_at)) / 60000, 1) AS longest_delay_min
FROM sheet_break
GROUP BY machine, crew
ORDER BY machine, crew;
