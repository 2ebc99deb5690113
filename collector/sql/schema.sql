-- The tables behind the views. Nobody but the collector relies on them: readers use the views of views.sql.
-- They stand in the schema "base", so that a table and the view that shows it may share a name.
-- Instants are TIMESTAMPTZ; durations found by the tracker are whole milliseconds (BIGINT).

CREATE SCHEMA base;

CREATE TABLE base.schema_version (
    version    INTEGER PRIMARY KEY,
    name       VARCHAR NOT NULL,
    applied_at TIMESTAMPTZ NOT NULL
);

-- Digest of the views.sql that made the views.
CREATE TABLE base.view_text (digest VARCHAR NOT NULL);

-- ---------------------------------------------------------------- what mill.toml says (filled anew at every opening)

CREATE TABLE base.mill (
    name             VARCHAR NOT NULL,
    time_zone        VARCHAR NOT NULL,
    currency         VARCHAR NOT NULL,
    topic_root       VARCHAR NOT NULL,
    planned_cutoff_h DOUBLE NOT NULL,
    demo             BOOLEAN NOT NULL,
    margin_per_t     DOUBLE,
    broke_cost_per_t DOUBLE
);

CREATE TABLE base.machine (
    machine              VARCHAR NOT NULL,
    name                 VARCHAR NOT NULL,
    trim_m               DOUBLE NOT NULL,
    running_above_m_min  DOUBLE NOT NULL,
    reorder_s            DOUBLE NOT NULL,
    debounce_s           DOUBLE NOT NULL,
    blind_margin_s       DOUBLE NOT NULL,
    stale_after_s        DOUBLE NOT NULL,
    trip_window_s        DOUBLE NOT NULL,
    trip_drop_pct        DOUBLE NOT NULL,
    attempt_pause_s      DOUBLE NOT NULL,
    on_reel_confirm_s    DOUBLE NOT NULL,
    secondary_within_min DOUBLE NOT NULL,
    turn_up_window_s     DOUBLE NOT NULL,
    at_speed_within_pct  DOUBLE,
    settled_s            DOUBLE,
    reel_moisture_pct    DOUBLE,
    added_g_m2           DOUBLE,
    added_from           VARCHAR
);

CREATE TABLE base.sheet_detector (
    machine    VARCHAR NOT NULL,
    number     INTEGER NOT NULL,
    tag        VARCHAR NOT NULL,
    section    VARCHAR NOT NULL,
    position_m DOUBLE NOT NULL
);

CREATE TABLE base.signal (
    machine VARCHAR NOT NULL,
    role    VARCHAR NOT NULL,
    tag     VARCHAR NOT NULL
);

CREATE TABLE base.tag_setting (
    machine VARCHAR NOT NULL,
    tag     VARCHAR NOT NULL,
    unit    VARCHAR,
    section VARCHAR,
    use     VARCHAR,
    low     DOUBLE,
    high    DOUBLE
);

CREATE TABLE base.grade (
    grade                   VARCHAR NOT NULL,
    basis_weight_g_m2       DOUBLE,
    target_speed_m_min      DOUBLE,
    moisture_low_pct        DOUBLE,
    moisture_high_pct       DOUBLE,
    plan_t_d                DOUBLE,
    basis_weight_within_pct DOUBLE
);

CREATE TABLE base.cause (
    code    VARCHAR NOT NULL,
    section VARCHAR,
    name    VARCHAR NOT NULL,
    loss    VARCHAR
);

CREATE TABLE base.broke_pit (
    pit             VARCHAR NOT NULL,
    section         VARCHAR NOT NULL,
    consistency_pct DOUBLE
);

CREATE TABLE base.broke_tower (
    tower           VARCHAR NOT NULL,
    volume_m3       DOUBLE,
    level_tag       VARCHAR,
    dosing_tag      VARCHAR,
    shades          VARCHAR[],
    returned_tag    VARCHAR,
    spilled_tag     VARCHAR,
    consistency_pct DOUBLE,
    machine         VARCHAR,
    dosed_into      VARCHAR[]
);

CREATE TABLE base.shift (
    shift_date DATE NOT NULL,
    shift      VARCHAR NOT NULL,
    crew       VARCHAR NOT NULL,
    started_at TIMESTAMPTZ NOT NULL,
    ended_at   TIMESTAMPTZ NOT NULL
);

CREATE TABLE base.configuration (
    configuration_id INTEGER PRIMARY KEY,
    digest           VARCHAR NOT NULL,
    text             VARCHAR NOT NULL
);

-- ---------------------------------------------------------------- samples

CREATE TABLE base.tag (
    tag_id     INTEGER PRIMARY KEY,
    machine    VARCHAR NOT NULL,
    tag        VARCHAR NOT NULL,
    first_at   TIMESTAMPTZ,
    last_at    TIMESTAMPTZ,
    last_value DOUBLE,
    last_text  VARCHAR
);

-- Which [[source]] of mill.toml brought which tag: values of a source that also brings role tags show that the machine's
-- data live, so a rebuild must know them.
CREATE TABLE base.tag_source (
    configuration_id INTEGER NOT NULL,
    tag_id           INTEGER NOT NULL,
    source           INTEGER NOT NULL
);

-- Samples that are in no part yet. No key: an index costs three times the speed and nine times the space; the writer
-- sees to it that a (tag_id, sampled_at) stands at most once in hot_sample, hot_text and the parts together.
CREATE TABLE base.hot_sample (
    tag_id     INTEGER NOT NULL,
    sampled_at TIMESTAMPTZ NOT NULL,
    value      DOUBLE,
    flags      UTINYINT NOT NULL
);

CREATE TABLE base.hot_text (
    tag_id     INTEGER NOT NULL,
    sampled_at TIMESTAMPTZ NOT NULL,
    text       VARCHAR NOT NULL,
    flags      UTINYINT NOT NULL
);

-- Keys whose row in a part no longer holds: another value replaced it, which stays hot until that part is corrected.
CREATE TABLE base.replaced (
    tag_id     INTEGER NOT NULL,
    sampled_at TIMESTAMPTZ NOT NULL
);

-- What the views of samples read; publishing replaces both, so that they also read the parts.
CREATE VIEW base.stored_sample AS SELECT tag_id, sampled_at, value, flags FROM base.hot_sample;
CREATE VIEW base.stored_text AS SELECT tag_id, sampled_at, text, flags FROM base.hot_text;

-- The Parquet files that hold samples: exactly these, whatever else lies in the folder.
CREATE TABLE base.part (
    part_id   BIGINT PRIMARY KEY,
    content   VARCHAR NOT NULL,          -- 'value' or 'text'
    level     INTEGER NOT NULL,          -- how often its rows were merged
    day       DATE,                      -- of a closed day's own file (UTC)
    row_count BIGINT NOT NULL,
    bytes     BIGINT NOT NULL,
    first_at  TIMESTAMPTZ NOT NULL,
    last_at   TIMESTAMPTZ NOT NULL,
    thinned   BOOLEAN DEFAULT FALSE      -- of a closed day whose rows were thinned
);

-- Files no longer listed; they stay for a while, for readers that opened an earlier published file.
CREATE TABLE base.retired_part (
    part_id    BIGINT PRIMARY KEY,
    content    VARCHAR NOT NULL,
    retired_at TIMESTAMPTZ NOT NULL
);

CREATE TABLE base.next_part (part_id BIGINT NOT NULL);
INSERT INTO base.next_part VALUES (1);

-- ---------------------------------------------------------------- the collector's own memory

CREATE TABLE base.tracker (
    machine VARCHAR NOT NULL,
    state   BLOB NOT NULL
);

-- Packet id (2 bytes) and digest (8 bytes) of each message of a batch, in order of receipt.
CREATE TABLE base.delivery (
    batch      BIGINT NOT NULL,
    deliveries BLOB NOT NULL
);

CREATE TABLE base.collector_run (
    run           INTEGER PRIMARY KEY,
    version       VARCHAR NOT NULL,
    started_at    TIMESTAMPTZ NOT NULL,
    ended_at      TIMESTAMPTZ,
    ended_cleanly BOOLEAN NOT NULL,
    counts        VARCHAR
);

CREATE TABLE base.rejected_message (
    received_at TIMESTAMPTZ NOT NULL,
    topic       VARCHAR NOT NULL,
    reason      VARCHAR NOT NULL,
    payload     BLOB NOT NULL,
    size_bytes  BIGINT NOT NULL
);

-- What each batch added to the counts; publishing adds rows of one machine, day and configuration up. No key, for
-- speed. Messages and rejected belong to no machine: they stand in any row of their day, machine '' if there is no other.
CREATE TABLE base.message_count (
    machine          VARCHAR NOT NULL,
    day              DATE NOT NULL,
    configuration_id INTEGER NOT NULL,
    first_scan_ms    BIGINT,
    last_scan_ms     BIGINT,
    messages         BIGINT NOT NULL,
    scans            BIGINT NOT NULL,
    samples          BIGINT NOT NULL,
    repeated         BIGINT NOT NULL,
    replaced         BIGINT NOT NULL,
    late             BIGINT NOT NULL,
    out_of_range     BIGINT NOT NULL,
    bad              BIGINT NOT NULL,
    rejected         BIGINT NOT NULL
);

CREATE TABLE base.published (
    published_at TIMESTAMPTZ NOT NULL,
    data_to      TIMESTAMPTZ
);

-- ---------------------------------------------------------------- what the tracker found

-- Each row holds until the machine's next one.
CREATE TABLE base.machine_state (
    machine    VARCHAR NOT NULL,
    state      VARCHAR NOT NULL,
    started_at TIMESTAMPTZ NOT NULL,
    PRIMARY KEY (machine, started_at)
);

CREATE TABLE base.downtime (
    downtime_id            VARCHAR PRIMARY KEY,
    machine                VARCHAR NOT NULL,
    kind                   VARCHAR NOT NULL,
    started_at             TIMESTAMPTZ NOT NULL,
    ended_at               TIMESTAMPTZ,
    section                VARCHAR,
    location_tied          BOOLEAN NOT NULL,
    start_uncertain        BOOLEAN NOT NULL,
    end_uncertain          BOOLEAN NOT NULL,
    unwitnessed            BOOLEAN NOT NULL,
    at_reel                BOOLEAN NOT NULL,
    grade                  VARCHAR,
    shade                  VARCHAR,
    reel                   VARCHAR,
    speed_before_m_min     DOUBLE,
    rate_before_t_h        DOUBLE,
    on_reel_before_ms      BIGINT,
    since_turn_up_ms       BIGINT,
    since_grade_change_ms  BIGINT
);

CREATE TABLE base.threading_attempt (
    downtime_id     VARCHAR NOT NULL,
    attempt         INTEGER NOT NULL,
    machine         VARCHAR NOT NULL,
    started_at      TIMESTAMPTZ NOT NULL,
    ended_at        TIMESTAMPTZ,
    reached_section VARCHAR,
    outcome         VARCHAR,
    PRIMARY KEY (downtime_id, attempt)
);

CREATE TABLE base.detector_fault (
    machine    VARCHAR NOT NULL,
    tag        VARCHAR NOT NULL,
    kind       VARCHAR NOT NULL,
    started_at TIMESTAMPTZ NOT NULL,
    ended_at   TIMESTAMPTZ,
    PRIMARY KEY (machine, tag, kind, started_at)
);

-- Flicker is counted by detector and mill-local day.
CREATE TABLE base.detector_flicker (
    machine    VARCHAR NOT NULL,
    tag        VARCHAR NOT NULL,
    day        DATE NOT NULL,
    first_at   TIMESTAMPTZ NOT NULL,
    last_at    TIMESTAMPTZ NOT NULL,
    count      BIGINT NOT NULL,
    PRIMARY KEY (machine, tag, day)
);

CREATE TABLE base.reel (
    machine    VARCHAR NOT NULL,
    reel       VARCHAR NOT NULL,
    started_at TIMESTAMPTZ NOT NULL,
    first_seen BOOLEAN NOT NULL,
    PRIMARY KEY (machine, started_at)
);

CREATE TABLE base.grade_run (
    machine    VARCHAR NOT NULL,
    grade      VARCHAR,
    shade      VARCHAR,
    started_at TIMESTAMPTZ NOT NULL,
    first_seen BOOLEAN NOT NULL,
    PRIMARY KEY (machine, started_at)
);

CREATE TABLE base.production (
    machine    VARCHAR NOT NULL,
    started_at TIMESTAMPTZ NOT NULL,
    ended_at   TIMESTAMPTZ NOT NULL,
    grade      VARCHAR,
    shade      VARCHAR,
    reel       VARCHAR,
    length_m   DOUBLE NOT NULL,
    tonnes_t   DOUBLE,
    PRIMARY KEY (machine, started_at)
);

-- What each machine has made since its last row in production; nulls: nothing.
CREATE TABLE base.production_under_way (
    machine    VARCHAR NOT NULL,
    started_at TIMESTAMPTZ,
    ended_at   TIMESTAMPTZ,
    grade      VARCHAR,
    shade      VARCHAR,
    reel       VARCHAR,
    length_m   DOUBLE,
    tonnes_t   DOUBLE
);

-- Every time that a machine's rows were worked out anew.
CREATE TABLE base.rebuild (
    machine          VARCHAR NOT NULL,
    rebuilt_at       TIMESTAMPTZ NOT NULL,
    first_at         TIMESTAMPTZ,
    last_at          TIMESTAMPTZ,
    present_settings BOOLEAN NOT NULL,
    scans            BIGINT NOT NULL,
    late             BIGINT NOT NULL,
    downtimes_before BIGINT NOT NULL,
    downtimes_after  BIGINT NOT NULL,
    added            BIGINT NOT NULL,
    removed          BIGINT NOT NULL,
    moved            BIGINT NOT NULL,
    changed          BIGINT NOT NULL
);

-- ---------------------------------------------------------------- what people sent

CREATE TABLE base.note (
    receipt     BIGINT NOT NULL,          -- in order of receipt
    note_id     VARCHAR PRIMARY KEY,
    machine     VARCHAR NOT NULL,
    kind        VARCHAR NOT NULL,
    noted_at    TIMESTAMPTZ NOT NULL,
    received_at TIMESTAMPTZ NOT NULL,
    downtime_id VARCHAR,
    cause       VARCHAR,
    certainty   VARCHAR,
    comment     VARCHAR,
    noted_by    VARCHAR,
    new_kind    VARCHAR,
    started_at  TIMESTAMPTZ,
    ended_at    TIMESTAMPTZ,
    merge_into  VARCHAR,
    withdraws   VARCHAR,
    section     VARCHAR
);

-- Where a rebuild moved a downtime's start: its earlier id and the one it has now.
CREATE TABLE base.downtime_alias (
    old_id      VARCHAR PRIMARY KEY,
    downtime_id VARCHAR NOT NULL
);

CREATE TABLE base.clothing (
    receipt      BIGINT NOT NULL,
    machine      VARCHAR NOT NULL,
    position     VARCHAR NOT NULL,
    installed_at TIMESTAMPTZ NOT NULL,
    received_at  TIMESTAMPTZ NOT NULL,
    comment      VARCHAR,
    noted_by     VARCHAR,
    withdrawn    BOOLEAN DEFAULT FALSE
);

CREATE TABLE base.lab (
    receipt     BIGINT NOT NULL,
    machine     VARCHAR NOT NULL,
    sampled_at  TIMESTAMPTZ NOT NULL,
    received_at TIMESTAMPTZ NOT NULL,
    test        VARCHAR NOT NULL,
    value       DOUBLE NOT NULL,
    unit        VARCHAR,
    reel        VARCHAR,
    withdrawn   BOOLEAN DEFAULT FALSE
);

CREATE TABLE base.grade_order (
    receipt           BIGINT NOT NULL,
    machine           VARCHAR NOT NULL,
    order_id          VARCHAR NOT NULL,
    ordered_at        TIMESTAMPTZ NOT NULL,
    received_at       TIMESTAMPTZ NOT NULL,
    grade             VARCHAR NOT NULL,
    shade             VARCHAR,
    basis_weight_g_m2 DOUBLE,
    tonnes_t          DOUBLE,
    withdrawn         BOOLEAN DEFAULT FALSE
);
