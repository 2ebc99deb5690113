-- Where did stock consistency and the broke tower stand when the sheet broke?
-- for: crew
-- The last value at or before each loss; an empty cell: the tag had none by then.
-- $stock = headbox.consistency: tag of the stock
-- $tower = broke.tower_level: tag of the tower's level
WITH one AS (
    SELECT machine, sampled_at, value FROM sample WHERE tag = $stock AND value IS NOT NULL
),
other AS (
    SELECT machine, sampled_at, value FROM sample WHERE tag = $tower AND value IS NOT NULL
)
SELECT
    b.downtime_id, timezone(m.time_zone, b.started_at) AS lost_local, b.section, b.grade, one.value AS stock,
    other.value AS tower
FROM sheet_break AS b
ASOF LEFT JOIN one ON one.machine = b.machine AND one.sampled_at <= b.started_at
ASOF LEFT JOIN other ON other.machine = b.machine AND other.sampled_at <= b.started_at
CROSS JOIN mill AS m
ORDER BY b.started_at;
