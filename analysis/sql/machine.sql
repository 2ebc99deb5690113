SELECT
    machine,
    name,
    trim_m,
    running_above_m_min,
    secondary_within_min,
    coalesce(at_speed_within_pct, 1.0) AS at_speed_within_pct,
    coalesce(settled_s, 60.0) AS settled_s,
    reel_moisture_pct,
    coalesce(added_g_m2, 0.0) AS added_g_m2,
    added_from,
    epoch_ms(first_at) AS first_ms,
    epoch_ms(last_at) AS last_ms
FROM machine
ORDER BY machine;
