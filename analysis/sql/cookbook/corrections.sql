-- What did people correct: kinds, missed breaks, merges, and notes that change nothing?
-- for: analyst
-- One row a note that is no plain cause, with whether it holds; the reason where it changes nothing.
SELECT n.noted_at, n.machine, n.kind, n.downtime_id, n.new_kind, n.merge_into, n.withdrawn, n.holds, o.reason
FROM note AS n
LEFT JOIN orphan_note AS o ON o.note_id = n.note_id
WHERE n.kind <> 'cause' OR o.note_id IS NOT NULL
ORDER BY n.noted_at, n.note_id;
