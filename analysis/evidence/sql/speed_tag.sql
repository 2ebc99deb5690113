-- The tag that tells the machine's speed, if mill.toml names one and it was ever heard.
SELECT t.tag_id
FROM signal AS s
JOIN tag AS t ON t.machine = s.machine AND t.tag = s.tag
WHERE s.machine = $machine AND s.role = 'speed';
