SELECT
    name,
    time_zone,
    currency,
    planned_cutoff_h,
    demo,
    topic_root,
    margin_per_t,
    broke_cost_per_t
FROM mill;
