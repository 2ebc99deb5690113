-- What was received of one machine, and what belonged to none, over the whole store: days of receipt, not of source time.
SELECT
    coalesce(sum(samples), 0)::BIGINT AS samples,
    coalesce(sum(repeated), 0)::BIGINT AS repeated,
    coalesce(sum(replaced), 0)::BIGINT AS replaced,
    coalesce(sum(late), 0)::BIGINT AS late,
    coalesce(sum(out_of_range), 0)::BIGINT AS out_of_range,
    coalesce(sum(bad), 0)::BIGINT AS bad,
    coalesce(sum(rejected), 0)::BIGINT AS rejected_messages
FROM message_count
WHERE machine = $machine OR machine IS NULL;
