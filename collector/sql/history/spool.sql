-- What the files of one load hold, on its way to being put in order of time. A temporary database of its own.

-- One row a value; the rows of a file stand in its order, and the files in theirs.
CREATE TABLE spool (
    file    INTEGER NOT NULL,
    machine VARCHAR,
    tag     VARCHAR,
    at_ms   BIGINT,
    kind    UTINYINT,           -- 0 bad, 1 number, 2 truth, 3 text
    number  DOUBLE,
    text    VARCHAR,            -- of a bad value: what stood there in its place
    faulty  BOOLEAN NOT NULL    -- it cannot be taken
);
