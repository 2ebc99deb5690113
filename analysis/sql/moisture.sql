-- Mean moisture of the paper in the time asked for, by the scanner and by the laboratory.
SELECT
    (
        SELECT avg(s.value)
        FROM sample AS s
        JOIN signal AS r ON r.machine = s.machine AND r.tag = s.tag AND r.role = 'moisture'
        WHERE s.machine = $machine
          AND s.sampled_at >= make_timestamptz($from_ms::BIGINT * 1000)
          AND s.sampled_at < make_timestamptz($to_ms::BIGINT * 1000)
    ) AS scanner_pct,
    (
        SELECT avg(value)
        FROM lab
        WHERE machine = $machine AND holds AND lower(test) = 'moisture'
          AND epoch_ms(sampled_at) >= $from_ms AND epoch_ms(sampled_at) < $to_ms
    ) AS lab_pct;
