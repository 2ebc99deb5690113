SELECT
    grade,
    basis_weight_g_m2,
    target_speed_m_min,
    plan_t_d,
    basis_weight_within_pct,
    moisture_low_pct,
    moisture_high_pct
FROM grade
ORDER BY grade;
