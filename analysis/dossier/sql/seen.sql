-- What each sheet detector said about a loss, only where it changed. One that repeats itself is read in turn, and may have
-- changed at any moment since it was heard before; of one that is sent only when it changes, the time is that of the change.
WITH said AS (
    SELECT
        tag_id,
        epoch_ms(sampled_at) AS at_ms,
        value > 0.5 AS sees
    FROM numbered_sample
    WHERE tag_id IN (SELECT unnest($tags))
      AND sampled_at >= make_timestamptz($from_ms::BIGINT * 1000)
      AND sampled_at < make_timestamptz($to_ms::BIGINT * 1000)
      AND flags & 36 = 0
      AND value IS NOT NULL
),
told AS (
    SELECT
        *,
        lag(sees) OVER one AS before,
        lag(at_ms) OVER one AS heard_ms,
        lag(sees) OVER one = sees AS repeated
    FROM said
    WINDOW one AS (PARTITION BY tag_id ORDER BY at_ms)
),
regular AS (
    SELECT *, coalesce(bool_or(repeated) OVER (PARTITION BY tag_id), FALSE) AS in_turn FROM told
)
SELECT
    tag_id,
    at_ms,
    sees,
    CASE WHEN in_turn THEN heard_ms END AS heard_ms
FROM regular
WHERE before IS DISTINCT FROM sees
ORDER BY tag_id, at_ms;
