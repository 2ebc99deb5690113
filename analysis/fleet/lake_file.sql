-- Every file that a manifest of the lake names.
CREATE TABLE lake_file (
    table_name VARCHAR,
    mill       VARCHAR,
    machine    VARCHAR,
    day        DATE,
    year       INTEGER,
    writer     VARCHAR,
    path       VARCHAR,
    rows       BIGINT,
    bytes      BIGINT,
    first_at   TIMESTAMPTZ,
    last_at    TIMESTAMPTZ,
    written_at TIMESTAMPTZ,
    counts     BOOLEAN
);
COMMENT ON TABLE lake_file IS 'Every file that a manifest of the lake names: what the views of this lake are made of.';
COMMENT ON COLUMN lake_file.table_name IS 'Name of the view whose rows it holds.';
COMMENT ON COLUMN lake_file.mill IS 'Name of the mill.';
COMMENT ON COLUMN lake_file.machine IS 'Machine; null for tables of the whole mill.';
COMMENT ON COLUMN lake_file.day IS 'Day of its samples (UTC); null for other tables.';
COMMENT ON COLUMN lake_file.year IS 'Year of its rows (UTC); null for tables that are not cut by it.';
COMMENT ON COLUMN lake_file.writer IS 'Name of the collector that wrote it.';
COMMENT ON COLUMN lake_file.path IS 'Where it lies in the lake.';
COMMENT ON COLUMN lake_file.rows IS 'Rows in it.';
COMMENT ON COLUMN lake_file.bytes IS 'Its size. [bytes]';
COMMENT ON COLUMN lake_file.first_at IS 'Oldest time in it, UTC; null: its table has none.';
COMMENT ON COLUMN lake_file.last_at IS 'Newest time in it, UTC; null: its table has none.';
COMMENT ON COLUMN lake_file.written_at IS 'When it was put into the lake, UTC.';
COMMENT ON COLUMN lake_file.counts IS 'False: the machine was another writer''s in all of its time, so its rows are not counted.';
