-- What the files of one load hold, on its way to being put in order of time. A temporary database of its own.

CREATE TABLE spool (
    file    INTEGER NOT NULL,
    record  BIGINT NOT NULL,    -- number of the row in its file, from 1
    place   INTEGER NOT NULL,   -- the column that holds the value
    machine VARCHAR,
    tag     VARCHAR,
    at_ms   BIGINT,
    kind    UTINYINT,           -- 0 bad, 1 number, 2 truth, 3 text
    number  DOUBLE,
    text    VARCHAR,
    fault   VARCHAR,            -- why the value cannot be taken; null if it can
    shown   VARCHAR             -- what stood in the file then
);

-- Local days of the files' clock: see collector/history/clock.py.
CREATE TABLE zone_day (
    day          BIGINT,
    before_ms    BIGINT,
    after_ms     BIGINT,
    edge_from_ms BIGINT,
    edge_to_ms   BIGINT,
    is_twice     BOOLEAN
);

CREATE TABLE known_machine (machine VARCHAR);

-- Tags of which mill.toml says that they are numbers.
CREATE TABLE number_tag (machine VARCHAR, tag VARCHAR);
