SELECT
    grade,
    basis_weight_g_m2,
    target_speed_m_min,
    plan_t_d
FROM grade
ORDER BY grade;
