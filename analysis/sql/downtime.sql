-- Every downtime that touches the time asked for.
SELECT
    downtime_id,
    kind,
    epoch_ms(started_at) AS started_ms,
    epoch_ms(ended_at) AS ended_ms,
    section,
    location_tied,
    start_uncertain,
    end_uncertain,
    unwitnessed,
    attempts,
    grade,
    shade,
    shift_date,
    shift,
    crew,
    cause,
    certainty,
    comment,
    speed_before_m_min,
    rate_before_t_h,
    broke_t,
    at_turn_up,
    secondary,
    found_by
FROM downtime
WHERE machine = $machine
  AND epoch_ms(started_at) < $to_ms
  AND (ended_at IS NULL OR epoch_ms(ended_at) > $from_ms)
ORDER BY started_ms, downtime_id;
