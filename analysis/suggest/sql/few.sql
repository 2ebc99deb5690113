-- Mean and variance of a few tags in each minute that is wanted. The tags are few and met first, so that only the parts
-- of the archive that hold them are read. Left out: flag 2 outside its plausible range, 4 bad quality, 32 time unknown.
SELECT
    tag_id,
    minute,
    avg(value) AS mean,
    var_pop(value) AS variance
FROM (
    SELECT tag_id, value, epoch_us(sampled_at) // 60000000 AS minute
    FROM numbered_sample
    WHERE tag_id IN (SELECT unnest($tags))
      AND sampled_at >= make_timestamptz($from_minute::BIGINT * 60000000)
      AND sampled_at < make_timestamptz($to_minute::BIGINT * 60000000)
      AND flags & 38 = 0
      AND value IS NOT NULL
)
WHERE minute IN (SELECT unnest($minutes))
GROUP BY tag_id, minute;
