-- Everything that tags which seldom change have said, minute by minute: a value holds until the next one.
SELECT
    tag_id,
    epoch_us(sampled_at) // 60000000 AS minute,
    avg(value) AS mean,
    arg_max(value, sampled_at) AS last
FROM numbered_sample
WHERE tag_id IN (SELECT unnest($tags))
  AND sampled_at >= make_timestamptz($from_minute::BIGINT * 60000000)
  AND sampled_at < make_timestamptz($to_minute::BIGINT * 60000000)
  AND flags & 38 = 0
  AND value IS NOT NULL
GROUP BY tag_id, minute
ORDER BY tag_id, minute;
