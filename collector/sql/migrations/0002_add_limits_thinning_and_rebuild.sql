-- Limits of quality, target speed, loss table and broke: settings, which every opening fills anew from mill.toml.
ALTER TABLE base.machine ADD COLUMN at_speed_within_pct DOUBLE;
ALTER TABLE base.machine ADD COLUMN settled_s DOUBLE;
ALTER TABLE base.machine ADD COLUMN reel_moisture_pct DOUBLE;
ALTER TABLE base.machine ADD COLUMN added_g_m2 DOUBLE;
ALTER TABLE base.machine ADD COLUMN added_from VARCHAR;
ALTER TABLE base.grade ADD COLUMN basis_weight_within_pct DOUBLE;
ALTER TABLE base.cause ADD COLUMN loss VARCHAR;
ALTER TABLE base.broke_tower ADD COLUMN returned_tag VARCHAR;
ALTER TABLE base.broke_tower ADD COLUMN spilled_tag VARCHAR;
ALTER TABLE base.broke_tower ADD COLUMN consistency_pct DOUBLE;
ALTER TABLE base.broke_tower ADD COLUMN machine VARCHAR;
ALTER TABLE base.broke_tower ADD COLUMN dosed_into VARCHAR[];

-- Days whose rows were thinned are marked, so that they are thinned once.

ALTER TABLE base.part ADD COLUMN thinned BOOLEAN DEFAULT FALSE;

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
