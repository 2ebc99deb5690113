-- One row for each minute and tag that has samples. Left out: flag 2 outside its plausible range, 4 bad quality, 8 late
-- and 16 historical, since what came late was not known at that minute, and 32 time unknown.
SELECT
    list_position($tags, tag) - 1 AS tag_number,
    minute - $from_minute AS minute,
    mean,
    variance,
    last
FROM (
    SELECT
        tag,
        epoch_us(sampled_at) // 60000000 AS minute,
        avg(value) AS mean,
        var_pop(value) AS variance,
        arg_max(value, sampled_at) AS last
    FROM sample
    WHERE machine = $machine
      AND list_contains($tags, tag)
      AND sampled_at >= make_timestamptz($from_minute::BIGINT * 60000000)
      AND sampled_at < make_timestamptz($to_minute::BIGINT * 60000000)
      AND flags & 62 = 0
      AND value IS NOT NULL
    GROUP BY tag, minute
);
