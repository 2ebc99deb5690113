-- The cells of one file, each with its instant and kind. The braces are filled in by collector/history/spool.py.
--   cells: record, place, time_text, machine, tag, quality, value of each cell, all as text, and
--   clock_ms: the time as it stands there, in milliseconds since 1970, local or UTC.
--   clock: of a file with local times, what its clock does on that day: see collector/history/clock.py. By lists, for
--   a join would not keep the order of the rows.
-- A cell is sound if nothing can be wrong with it but the letters of its tag; what is wrong with the others is told by
-- history/faults.sql. Nearly all are sound, so the test for that comes in one piece and looks at no pattern.

WITH cell AS (SELECT * {clock} FROM ({cells})),
timed AS (
    SELECT
        c.*,
        {instant} AS at_ms,
        {is_outside} AS is_outside,
        {is_twice} AS is_twice,
        {pointed} AS pointed
    FROM cell AS c
),
judged AS (
    SELECT
        t.*,
        TRY_CAST(pointed AS DOUBLE) AS number,
        CASE
            WHEN t.quality IS NOT NULL AND lower(t.quality) NOT IN ('', 'good', '192') THEN 0
            WHEN t.value IS NULL THEN 0
            WHEN isfinite(number) AND NOT contains(pointed, '_') THEN 1
            WHEN lower(trim(t.value)) IN ({bad_words}) THEN 0
            WHEN regexp_full_match(pointed, '[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?') THEN 1
            WHEN lower(trim(t.value)) IN ({truth_words}) THEN 2
            ELSE 3
        END AS kind
    FROM timed AS t
),
sorted AS (
    SELECT
        j.*,
        coalesce(
            at_ms BETWEEN {earliest_ms} AND {latest_ms}
            AND machine IN ({machines})
            AND length(tag) BETWEEN 1 AND {longest_tag}
            AND CASE kind
                WHEN 1 THEN isfinite(number)
                WHEN 3 THEN
                    NOT list_contains({number_tags}, machine || chr(10) || tag)
                    AND NOT regexp_full_match(
                        trim(value),
                        '[+-]?([0-9]+[.,][0-9]+|[0-9]{{1,3}}(,[0-9]{{3}})+\.[0-9]+|[0-9]{{1,3}}(\.[0-9]{{3}})+,[0-9]+)'
                    )
                    AND length(value) <= {longest_text}
                ELSE TRUE
            END,
            FALSE
        ) AS sound
    FROM judged AS j
)
