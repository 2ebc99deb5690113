-- Takes the cells of one file into the spool. The braces are filled in by collector/history/spool.py.
--   cells: record, place, time_text, machine, tag, quality, value of each cell, all as text, and
--   clock_ms: the time as it stands there, in milliseconds since 1970, local or UTC.

INSERT INTO spool
WITH cell AS ({cells}),
timed AS (
    SELECT
        c.*,
        CASE
            WHEN NOT {is_local} THEN clock_ms
            WHEN clock_ms < z.edge_from_ms OR z.edge_to_ms = 0 THEN clock_ms - z.before_ms
            WHEN clock_ms >= z.edge_to_ms THEN clock_ms - z.after_ms
            WHEN NOT z.is_twice THEN NULL
            WHEN '{ambiguous}' = 'earlier' THEN clock_ms - z.before_ms
            WHEN '{ambiguous}' = 'later' THEN clock_ms - z.after_ms
        END AS at_ms,
        {is_local} AND z.day IS NULL AS is_outside,
        {is_local} AND clock_ms >= z.edge_from_ms AND clock_ms < z.edge_to_ms AND z.is_twice AS is_twice,
        replace(trim(c.value), '{decimal}', '.') AS pointed
    FROM cell AS c
    LEFT JOIN zone_day AS z ON {is_local} AND z.day = c.clock_ms // 86400000
),
judged AS (
    SELECT
        t.*,
        CASE
            WHEN t.quality IS NOT NULL AND lower(t.quality) NOT IN ('', 'good', '192') THEN 0
            WHEN t.value IS NULL OR lower(trim(t.value)) IN ({bad_words}) THEN 0
            WHEN regexp_full_match(t.pointed, '[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?') THEN 1
            WHEN lower(trim(t.value)) IN ('true', 'false') THEN 2
            ELSE 3
        END AS kind,
        n.tag IS NOT NULL AS is_number
    FROM timed AS t
    LEFT JOIN number_tag AS n USING (machine, tag)
),
faulty AS (
    SELECT
        j.*,
        CASE
            WHEN clock_ms IS NULL THEN 'time'
            WHEN is_outside THEN 'impossible'
            WHEN at_ms IS NULL AND is_twice THEN 'twice'
            WHEN at_ms IS NULL THEN 'never'
            WHEN at_ms < {earliest_ms} OR at_ms > {latest_ms} THEN 'impossible'
            WHEN machine IS NULL OR machine NOT IN (SELECT machine FROM known_machine) THEN 'machine'
            WHEN tag IS NULL OR length(tag) NOT BETWEEN 1 AND {longest_tag} OR regexp_matches(tag, '[\x00-\x1f\x7f-\x9f]')
                THEN 'tag'
            WHEN kind = 3 AND is_number THEN 'number'
            WHEN kind = 3 AND regexp_full_match(trim(value), '[+-]?[0-9]+[.,][0-9]+') THEN 'decimal'
            WHEN kind = 3 AND length(value) > {longest_text} THEN 'text'
            WHEN kind = 1 AND NOT coalesce(isfinite(TRY_CAST(pointed AS DOUBLE)), FALSE) THEN 'large'
        END AS fault
    FROM judged AS j
)
SELECT
    {file},
    record,
    place,
    machine,
    tag,
    at_ms,
    kind,
    CASE
        WHEN kind = 1 THEN TRY_CAST(pointed AS DOUBLE)
        WHEN kind = 2 THEN CAST(lower(trim(value)) = 'true' AS DOUBLE)
    END,
    CASE WHEN kind = 3 THEN trim(value) END,
    fault,
    CASE fault
        WHEN 'machine' THEN machine
        WHEN 'tag' THEN tag
        WHEN 'number' THEN value
        WHEN 'decimal' THEN value
        WHEN 'text' THEN value
        WHEN 'large' THEN value
        ELSE CASE WHEN fault IS NOT NULL THEN time_text END
    END
FROM faulty
