-- Takes what stands in one file into the spool. The braces stand for history/cells.sql (filled in) and its number.

INSERT INTO spool
{cells}
SELECT
    {file},
    machine,
    tag,
    at_ms,
    kind,
    CASE WHEN kind = 1 THEN number WHEN kind = 2 THEN CAST(lower(trim(value)) = 'true' AS DOUBLE) END,
    CASE WHEN kind = 3 THEN trim(value) END,
    NOT sound
FROM sorted
