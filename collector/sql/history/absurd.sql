-- How many numbers of one tag there are but for zeros, how many are beyond all reason, and where the first of those is.
-- The braces stand for history/cells.sql, filled in so that each cell has its record.

{cells}
SELECT
    count(*) AS values,
    count(*) FILTER (number NOT BETWEEN $low AND $high) AS absurd,
    min(record) FILTER (number NOT BETWEEN $low AND $high) AS first_record,
    any_value(place) AS place,
    arg_min(number, record) FILTER (number NOT BETWEEN $low AND $high) AS first_number
FROM sorted
WHERE machine = $machine AND tag = $tag AND kind = 1 AND number <> 0
