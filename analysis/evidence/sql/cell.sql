-- Mean and variance of each tag in each minute that is wanted. Left out: flag 2 outside its plausible range, 4 bad
-- quality, 32 time unknown. The minutes are met as one number (never as a range), and within one slice of time, so that
-- row groups outside it are not read and the groups of a slice stay few.
SELECT
    tag_id,
    minute - $from_minute AS minute,
    favg(value) AS mean,
    var_pop(value) AS variance
FROM (
    SELECT tag_id, value, epoch_us(sampled_at) // 60000000 AS minute
    FROM sample
    WHERE machine = $machine
      AND sampled_at >= make_timestamptz($from_minute::BIGINT * 60000000)
      AND sampled_at < make_timestamptz($to_minute::BIGINT * 60000000)
      AND flags & 38 = 0
      AND value IS NOT NULL
)
WHERE minute IN (SELECT unnest($minutes))
GROUP BY tag_id, minute;
