-- A year of three machines of the invented mill, straight into the tables of published.duckdb.
-- Variables: days, losses (downtimes of each machine).
SELECT setseed(0.2026);

CREATE TEMP TABLE span AS
SELECT
    'pm' || m AS machine, i,
    TIMESTAMPTZ '2025-03-01 00:00:00+00'
        + to_microseconds(CAST((i + 0.2 + 0.6 * random()) * getvariable('days') * 864e8 / getvariable('losses') AS BIGINT))
        AS started_at,
    18 * exp(0.6 * sqrt(-2 * ln(1 - random())) * cos(2 * pi() * random())) AS minutes,
    random() AS place, random() AS why, random() AS how
FROM range(1, 4) AS machines(m), range(CAST(getvariable('losses') AS BIGINT)) AS losses(i);

CREATE TEMP TABLE loss AS
SELECT
    *, machine || '-' || strftime(started_at AT TIME ZONE 'UTC', '%Y%m%dT%H%M%SZ') AS downtime_id,
    -- Shorter than the least distance to the next one.
    started_at + to_seconds(round(60 * least(minutes, 0.15 * 1440 * getvariable('days') / getvariable('losses'))))
        AS ended_at
FROM span;

INSERT INTO base.downtime BY NAME
SELECT
    downtime_id, machine, CASE WHEN how < 0.86 THEN 'break' WHEN how < 0.95 THEN 'planned' ELSE 'stop' END AS kind,
    started_at, ended_at,
    CASE WHEN place < 0.04 THEN 'couch' WHEN place < 0.38 THEN 'press' WHEN place < 0.56 THEN 'pre-dryer'
         WHEN place < 0.72 THEN 'size press' WHEN place < 0.80 THEN 'after-dryer' WHEN place < 0.87 THEN 'calender'
         ELSE 'reel' END AS section,
    place * 100 % 1 < 0.05 AS location_tied, FALSE AS start_uncertain, FALSE AS end_uncertain, FALSE AS unwitnessed,
    place > 0.87 AS at_reel, 'C' || (60 + 10 * (i // 40 % 5)) AS grade, 'white' AS shade, 'R' || i AS reel,
    780.0 AS speed_before_m_min, 12.73 AS rate_before_t_h, CAST(15e6 * why AS BIGINT) AS on_reel_before_ms
FROM loss;

INSERT INTO base.note BY NAME
SELECT
    row_number() OVER () AS receipt, 'note-' || row_number() OVER () AS note_id, machine, 'cause' AS kind,
    started_at AS noted_at, started_at AS received_at, downtime_id, 'C-' || CAST(floor(24 * why) AS INTEGER) AS cause,
    'likely' AS certainty
FROM loss
WHERE why < 0.7;

INSERT INTO base.cause BY NAME SELECT 'C-' || c AS code, 'press' AS section, 'Cause number ' || c AS name FROM range(24) AS t(c);

INSERT INTO base.machine_state BY NAME
SELECT 'pm' || m AS machine, 'on_reel' AS state, TIMESTAMPTZ '2025-03-01 00:00:00+00' AS started_at FROM range(1, 4) AS t(m)
UNION ALL SELECT machine, 'down', started_at FROM loss
UNION ALL SELECT machine, 'threading', started_at + (ended_at - started_at) / 2 FROM loss
UNION ALL SELECT machine, 'on_reel', ended_at FROM loss;

INSERT INTO base.threading_attempt BY NAME
SELECT
    downtime_id, a AS attempt, machine, started_at + (ended_at - started_at) * (a / 3) AS started_at,
    started_at + (ended_at - started_at) * ((a + 1) / 3) AS ended_at, 'press' AS reached_section,
    CASE WHEN a = 2 THEN 'success' ELSE 'failed' END AS outcome
FROM loss, range(1, 3) AS attempts(a);

-- A row for every half hour: what clock hours, turn-ups and grades cut production into.
INSERT INTO base.production BY NAME
SELECT
    'pm' || m AS machine, TIMESTAMPTZ '2025-03-01 00:00:00+00' + to_minutes(30 * h) AS started_at,
    TIMESTAMPTZ '2025-03-01 00:00:00+00' + to_minutes(30 * h + 29) AS ended_at,
    'C' || (60 + 10 * (h // 480 % 5)) AS grade, 'white' AS shade, 'R' || (h // 2) AS reel, 22620.0 AS length_m, 6.15 AS tonnes_t
FROM range(1, 4) AS machines(m), range(CAST(48 * getvariable('days') AS BIGINT)) AS hours(h);

INSERT INTO base.grade_run BY NAME
SELECT
    'pm' || m AS machine, 'C' || (60 + 10 * (g % 5)) AS grade, 'white' AS shade,
    TIMESTAMPTZ '2025-03-01 00:00:00+00' + to_hours(8 * g) AS started_at, g = 0 AS first_seen
FROM range(1, 4) AS machines(m), range(CAST(3 * getvariable('days') AS BIGINT)) AS runs(g);

INSERT INTO base.reel BY NAME
SELECT
    'pm' || m AS machine, 'R' || r AS reel,
    TIMESTAMPTZ '2025-03-01 00:00:00+00' + to_minutes(65 * r) AS started_at, r = 0 AS first_seen
FROM range(1, 4) AS machines(m), range(CAST(22 * getvariable('days') AS BIGINT)) AS reels(r);

INSERT INTO base.shift BY NAME
SELECT
    CAST(TIMESTAMP '2025-03-01' + to_hours(12 * s - 12) AS DATE) AS shift_date,
    CASE WHEN s % 2 = 0 THEN 'night' ELSE 'day' END AS shift, substr('ABCD', CAST(1 + s % 4 AS BIGINT), 1) AS crew,
    TIMESTAMPTZ '2025-02-28 16:00:00+00' + to_hours(12 * s) AS started_at,
    TIMESTAMPTZ '2025-03-01 04:00:00+00' + to_hours(12 * s) AS ended_at
FROM range(CAST(2 * getvariable('days') + 1 AS BIGINT)) AS t(s);
