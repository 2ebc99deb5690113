-- What a rebuild must know, and what it did.

-- Which [[source]] of mill.toml brought which tag: values of a source that also brings role tags show that the machine's
-- data live, so a rebuild must know them.
CREATE TABLE base.tag_source (
    configuration_id INTEGER NOT NULL,
    tag_id           INTEGER NOT NULL,
    source           INTEGER NOT NULL
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
