-- What do secondary breaks follow: which kind of loss, where, and how soon?
-- for: engineer
-- A secondary break comes soon after the sheet's return (setting secondary_within_min).
WITH in_order AS (
    SELECT
        machine, secondary, section, on_reel_before_s, lag(kind) OVER w AS followed,
        lag(section) OVER w AS section_before
    FROM downtime
    WINDOW w AS (PARTITION BY machine ORDER BY started_at)
)
SELECT
    machine, followed, section_before, section, count(*) AS breaks,
    round(median(on_reel_before_s) / 60, 1) AS median_after_min
FROM in_order
WHERE secondary
GROUP BY machine, followed, section_before, section
ORDER BY machine, breaks DESC, followed, section_before, section;
