-- Do breaks become more frequent as a felt or fabric ages?
-- for: engineer
-- By age of what ran at that position at the time. Time on the reel before the first reported change is left out.
-- Time is kept by clock hour: at the edge of a band, up to an hour of it stands in the younger one.
-- $position = last press felt: position of the clothing
-- $section = press: where the sheet was lost
-- $band_d = 7 [d]: width of the age bands
WITH made AS (
    SELECT
        p.machine, (epoch_ms(p.started_at) - epoch_ms(c.installed_at)) // (86400000 * $band_d::BIGINT) AS band,
        sum(epoch_ms(p.ended_at) - epoch_ms(p.started_at)) / 3600000.0 AS on_reel_h
    FROM production AS p
    ASOF JOIN (FROM clothing WHERE position = $position) AS c
        ON c.machine = p.machine AND c.installed_at <= p.started_at
    GROUP BY ALL
),
broken AS (
    SELECT
        b.machine, (epoch_ms(b.started_at) - epoch_ms(c.installed_at)) // (86400000 * $band_d::BIGINT) AS band,
        count(*) AS breaks
    FROM sheet_break AS b
    ASOF JOIN (FROM clothing WHERE position = $position) AS c
        ON c.machine = b.machine AND c.installed_at <= b.started_at
    WHERE b.section = $section
    GROUP BY ALL
)
SELECT
    m.machine, m.band * $band_d::BIGINT AS age_from_d, (m.band + 1) * $band_d::BIGINT AS age_to_d,
    round(m.on_reel_h, 2) AS on_reel_h, coalesce(b.breaks, 0) AS breaks,
    round(100 * coalesce(b.breaks, 0) / m.on_reel_h, 2) AS per_100_on_reel_h
FROM made AS m
LEFT JOIN broken AS b ON b.machine = m.machine AND b.band = m.band
ORDER BY m.machine, m.band;
