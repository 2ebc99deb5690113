-- Everything that can be taken, in order of time. Of two values of one tag at one time the one further down holds.

CREATE OR REPLACE TEMP TABLE tag_no AS
SELECT row_number() OVER (ORDER BY machine, tag) - 1 AS tag_no, machine, tag
FROM (SELECT DISTINCT machine, tag FROM spool WHERE fault IS NULL);

CREATE OR REPLACE TEMP TABLE in_order AS
SELECT s.at_ms, t.tag_no::INTEGER AS tag_no, s.kind, s.number, s.text
FROM spool AS s
JOIN tag_no AS t USING (machine, tag)
WHERE s.fault IS NULL
ORDER BY s.at_ms, s.machine, s.file, s.record, s.place;
