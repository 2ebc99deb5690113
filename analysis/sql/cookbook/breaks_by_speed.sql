-- Does the sheet break more often at higher speed?
-- for: engineer
-- By the mean speed before each break, against the time on the reel at such speeds. Grades run at their own speeds:
-- what looks like speed may be the grade.
-- $band_m_min = 50 [m/min]: width of the bands
WITH made AS (
    SELECT
        machine,
        floor(length_m / ((epoch_ms(ended_at) - epoch_ms(started_at)) / 60000.0) / $band_m_min::DOUBLE) AS band,
        sum(epoch_ms(ended_at) - epoch_ms(started_at)) / 3600000.0 AS on_reel_h
    FROM production
    WHERE ended_at > started_at
    GROUP BY ALL
),
broken AS (
    SELECT machine, floor(speed_before_m_min / $band_m_min::DOUBLE) AS band, count(*) AS breaks
    FROM sheet_break
    WHERE speed_before_m_min IS NOT NULL
    GROUP BY ALL
)
SELECT
    m.machine, m.band * $band_m_min::DOUBLE AS from_m_min, (m.band + 1) * $band_m_min::DOUBLE AS to_m_min,
    round(m.on_reel_h, 2) AS on_reel_h, coalesce(b.breaks, 0) AS breaks,
    round(100 * coalesce(b.breaks, 0) / m.on_reel_h, 2) AS per_100_on_reel_h
FROM made AS m
LEFT JOIN broken AS b ON b.machine = m.machine AND b.band = m.band
ORDER BY m.machine, m.band;
