-- Takes what stands in one file into the spool. The braces stand for history/cells.sql (filled in) and its number.

INSERT INTO spool
{cells}
SELECT
    {file},
    machine,
    tag,
    at_ms,
    kind,
    CASE WHEN kind = 1 THEN number WHEN kind = 2 THEN CAST(lower(trim(value)) IN ({true_words}) AS DOUBLE) END,
    CASE
        WHEN kind = 3 THEN trim(value)
        WHEN kind = 0 THEN CASE WHEN isfinite(number) THEN quality ELSE trim(value) END
    END,
    NOT sound
FROM sorted
