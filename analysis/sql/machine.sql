SELECT
    machine,
    name,
    trim_m,
    running_above_m_min,
    secondary_within_min,
    epoch_ms(first_at) AS first_ms,
    epoch_ms(last_at) AS last_ms
FROM machine
ORDER BY machine;
