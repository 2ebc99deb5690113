-- The first faults of a file. A fault of the time is one of the whole row, however many values it has.
-- The braces stand for history/cells.sql, filled in so that each cell has its record, and for some limits.

{cells},
faulty AS (
    SELECT
        s.*,
        CASE
            WHEN clock_ms IS NULL THEN 'time'
            WHEN is_outside THEN 'impossible'
            WHEN at_ms IS NULL AND is_twice THEN 'twice'
            WHEN at_ms IS NULL THEN 'never'
            WHEN at_ms < {earliest_ms} OR at_ms > {latest_ms} THEN 'impossible'
            WHEN machine IS NULL OR machine NOT IN ({machines}) THEN 'machine'
            WHEN tag IS NULL OR length(tag) NOT BETWEEN 1 AND {longest_tag} OR regexp_matches(tag, '{control}')
                THEN 'tag'
            WHEN sound THEN NULL
            WHEN kind = 1 THEN 'large'
            WHEN list_contains({number_tags}, machine || chr(10) || tag) THEN 'number'
            WHEN length(value) > {longest_text} THEN 'text'
            ELSE 'decimal'
        END AS fault
    FROM sorted AS s
)
SELECT
    record,
    min(place) AS place,
    fault,
    any_value(CASE
        WHEN fault = 'machine' THEN machine
        WHEN fault = 'tag' THEN tag
        WHEN fault IN ('number', 'decimal', 'text', 'large') THEN value
        ELSE time_text
    END),
    any_value(tag),
    any_value(machine)
FROM faulty
WHERE fault IS NOT NULL
GROUP BY record, fault, CASE WHEN fault IN ('number', 'decimal', 'text', 'large') THEN place END
ORDER BY record, place
LIMIT 10000
