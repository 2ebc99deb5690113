-- The machine's speed minute by minute.
SELECT
    epoch_us(sampled_at) // 60000000 AS minute,
    avg(value) AS mean
FROM numbered_sample
WHERE tag_id = $tag_id
  AND sampled_at >= make_timestamptz($from_minute::BIGINT * 60000000)
  AND sampled_at < make_timestamptz($to_minute::BIGINT * 60000000)
  AND flags & 38 = 0
  AND value IS NOT NULL
GROUP BY minute;
