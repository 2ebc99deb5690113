-- The sheet detectors of a machine in path order; tag_id is null for one that was never heard.
SELECT d.tag, d.section, d.position_m, t.tag_id
FROM sheet_detector AS d
LEFT JOIN tag AS t ON t.machine = d.machine AND t.tag = d.tag
WHERE d.machine = $machine
ORDER BY d.number;
