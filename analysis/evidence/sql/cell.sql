-- The samples about the minutes that are wanted, in the order in which the archive keeps them. $marks has a bit for each
-- stretch of 2^24 us (16.8 s), going round: a shift and a look tell a sample that may be wanted, where dividing and joining
-- hundreds of millions would take longer than reading them. Left out: flag 2 outside its plausible range, 4 bad quality,
-- 32 time unknown.
SELECT
    tag_id,
    epoch_us(sampled_at) AS at_us,
    value
FROM numbered_sample
WHERE tag_id >= $first_tag
  AND tag_id <= $last_tag
  AND sampled_at >= make_timestamptz($from_minute::BIGINT * 60000000)
  AND sampled_at < make_timestamptz($to_minute::BIGINT * 60000000)
  AND get_bit($marks::BIT, ((epoch_us(sampled_at) >> 24) & $mask)::INTEGER) = 1
  AND flags & 38 = 0
  AND value IS NOT NULL;
