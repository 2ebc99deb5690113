-- Tags that are laid beside the quiet runs, with their use; not those that play a role in finding breaks, save speed and
-- basis weight.
SELECT
    tag,
    tag_id,
    coalesce(unit, '') AS unit,
    coalesce(section, '') AS section,
    coalesce(use, 'process') AS use
FROM tag
WHERE machine = $machine
  AND tag NOT IN (SELECT d.tag FROM sheet_detector AS d WHERE d.machine = $machine)
  AND tag NOT IN (
      SELECT s.tag FROM signal AS s WHERE s.machine = $machine AND s.role NOT IN ('speed', 'basis_weight')
  )
ORDER BY tag;
