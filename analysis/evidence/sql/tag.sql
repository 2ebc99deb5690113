-- Tags that may predict: not those that move because of a break, and none that plays a role in finding one, save speed
-- and basis weight, which are process values as well.
SELECT tag, tag_id, coalesce(unit, '') AS unit, coalesce(section, '') AS section
FROM tag
WHERE machine = $machine
  AND coalesce(use, 'process') = 'process'
  AND tag NOT IN (SELECT d.tag FROM sheet_detector AS d WHERE d.machine = $machine)
  AND tag NOT IN (
      SELECT s.tag FROM signal AS s WHERE s.machine = $machine AND s.role NOT IN ('speed', 'basis_weight')
  )
ORDER BY tag;
