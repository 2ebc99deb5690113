-- The newest good value of every tag.
SELECT
    tag,
    last_value AS value
FROM tag
WHERE machine = $machine
  AND last_value IS NOT NULL;
