-- Everything that can be taken, in order of time. Of two values of one tag at one time the one further down holds.

CREATE OR REPLACE TEMP TABLE tag_no AS
SELECT
    CAST(row_number() OVER (ORDER BY machine, tag) - 1 AS INTEGER) AS tag_no,
    CAST(dense_rank() OVER (ORDER BY machine) AS INTEGER) AS machine_no,
    machine,
    tag
FROM (SELECT DISTINCT machine, tag FROM spool WHERE NOT faulty);

CREATE OR REPLACE TEMP TABLE in_order AS
SELECT s.at_ms, t.tag_no, s.kind, s.number, CASE WHEN s.kind = 3 THEN s.text END AS text
FROM spool AS s
JOIN tag_no AS t USING (machine, tag)
WHERE NOT s.faulty
ORDER BY s.at_ms, t.machine_no, s.rowid;
