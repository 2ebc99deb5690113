"""Moves the hot samples into Parquet parts, and takes replaced rows out of the parts that hold them."""

from __future__ import annotations

from collections.abc import Iterator

import duckdb

from collector.publish.day import Day, days_of_source, within
from collector.publish.layout import Layout
from collector.publish.part_file import PartWriter, Relisting, Step, paths_of, source_of
from collector.store import Store
from collector.store.parts import COLUMNS, HOT, Content, Part


def export(store: Store, *, now_ms: int, closed_before: Day, layout: Layout, step: Step) -> None:
    """Move all hot samples into parts, in one transaction after the files are written.

    Killed before it, the samples are still hot; killed after it, they are in the parts. Afterwards no key stands twice
    in the parts.
    """
    writer = PartWriter(store)
    change = Relisting()
    for content in COLUMNS:
        change.added += _new_parts(store, writer, content, closed_before, layout)
        step(f"{content} parts written")
        for part in _outdated(store, content):
            change.removed.append(part)
            source = f"{source_of(paths_of(writer.folder, [part]))} ANTI JOIN base.replaced USING (tag_id, sampled_at)"
            left = writer.write(content, source, level=part.level, day=part.day)
            change.added += [left] if left else []
        step(f"{content} parts rewritten")
    with store.transaction() as connection:
        connection.execute(_TAG_TIMES)
        for table in (*HOT.values(), "base.replaced"):
            connection.execute(f"DELETE FROM {table}")  # noqa: S608 - names of ours
        connection.execute(_ADD_UP_COUNTS)
        if change.added or change.removed:
            writer.list_parts(connection, change, now_ms=now_ms)
    step("parts listed")


def _new_parts(
    store: Store, writer: PartWriter, content: Content, closed_before: Day, layout: Layout
) -> Iterator[Part]:
    """The hot rows of one content as parts: a file for each closed day with many and none yet, one for the rest."""
    hot = HOT[content]
    counts = days_of_source(store.connection, hot)
    if not counts:
        return
    having = {part.day for part in store.parts() if part.content == content}
    large = [day for day, count in counts.items() if count >= layout.own_file_from]
    own = [day for day in large if day < closed_before and day not in having]
    for day in own:
        part = writer.write(content, within(hot, day), level=0, day=day)
        if part:
            yield part
    rest = within(hot, *own, inside=False) if own else hot
    if len(own) < len(counts):
        part = writer.write(content, rest, level=0)
        if part:
            yield part


def _outdated(store: Store, content: Content) -> list[Part]:
    """The parts that hold a row which was replaced."""
    connection = store.connection
    row = connection.execute(
        "SELECT epoch_us(min(sampled_at)), epoch_us(max(sampled_at)) FROM base.replaced"
    ).fetchone()
    if row is None or row[0] is None:
        return []
    near = [p for p in store.parts() if p.content == content and p.first_us <= row[1] and p.last_us >= row[0]]
    return [part for part in near if _holds_replaced(store, connection, part)]


def _holds_replaced(store: Store, connection: duckdb.DuckDBPyConnection, part: Part) -> bool:
    source = source_of(paths_of(PartWriter(store).folder, [part]))
    query = f"SELECT 1 FROM {source} JOIN base.replaced USING (tag_id, sampled_at) LIMIT 1"  # noqa: S608
    return connection.execute(query).fetchone() is not None


_TAG_TIMES = """
UPDATE base.tag AS t
SET first_at = least(t.first_at, h.first_at),
    last_at = greatest(t.last_at, h.last_at),
    last_value = CASE WHEN t.last_at > h.last_at THEN t.last_value ELSE h.last_value END,
    last_text = CASE WHEN t.last_at > h.last_at THEN t.last_text ELSE h.last_text END
FROM (
    SELECT
        tag_id, min(sampled_at) AS first_at, max(sampled_at) AS last_at,
        arg_max_null(value, sampled_at) AS last_value, arg_max_null(text, sampled_at) AS last_text
    FROM (
        SELECT tag_id, sampled_at, value, NULL AS text FROM base.hot_sample
        UNION ALL
        SELECT tag_id, sampled_at, NULL AS value, text FROM base.hot_text
    )
    GROUP BY tag_id
) AS h
WHERE h.tag_id = t.tag_id
"""

_ADD_UP_COUNTS = """
CREATE OR REPLACE TEMP TABLE added_up AS
SELECT
    machine, day, configuration_id, min(first_scan_ms), max(last_scan_ms), sum(messages), sum(scans), sum(samples),
    sum(repeated), sum(replaced), sum(late), sum(out_of_range), sum(bad), sum(rejected)
FROM base.message_count
GROUP BY machine, day, configuration_id;
DELETE FROM base.message_count;
INSERT INTO base.message_count SELECT * FROM added_up;
DROP TABLE added_up
"""
