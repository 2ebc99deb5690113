-- How many values came late, twice, changed, bad or out of range, day by day?
-- for: analyst
-- By day of receipt. Late ones were stored, but the tracker has not used them: 'breakhorn rebuild' does.
SELECT day, machine, samples, late, repeated, replaced, out_of_range, bad
FROM message_count
WHERE machine IS NOT NULL
ORDER BY day, machine;
