-- Marks the values of tags that have letters which no name may have: looked for in each name once, not in each row.

UPDATE spool SET faulty = TRUE
WHERE file = $file AND tag IN (
    SELECT tag FROM (SELECT DISTINCT tag FROM spool WHERE file = $file) WHERE regexp_matches(tag, $control)
)
