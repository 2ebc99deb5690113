"""Moves the hot samples into Parquet parts."""

from __future__ import annotations

from collections.abc import Iterator

from collector.publish.day import Day, days_of_source, within
from collector.publish.layout import Layout
from collector.publish.part_file import PartWriter, Relisting, Step
from collector.store import Store
from collector.store.parts import COLUMNS, HOT, Content, Part


def export(store: Store, *, now_ms: int, closed_before: Day, layout: Layout, step: Step) -> None:
    """Move hot samples into parts, in one transaction after the files are written.

    Killed before it, the samples are still hot; killed after it, they are in the parts. Those that hold in the place of
    a part's row stay hot until that part is corrected, so that no key stands twice in the parts.
    """
    writer = PartWriter(store)
    change = Relisting()
    correcting = store.connection.execute("SELECT 1 FROM base.replaced LIMIT 1").fetchone() is not None
    for content in COLUMNS:
        change.added += _new_parts(store, writer, content, closed_before, layout, correcting=correcting)
        step(f"{content} parts written")
    with store.transaction() as connection:
        connection.execute(_TAG_TIMES)
        for table in HOT.values():
            connection.execute(f"DELETE FROM {table} AS h" + (_NOT_REPLACED if correcting else ""))  # noqa: S608
        connection.execute(_ADD_UP_COUNTS)
        if change.added:
            writer.list_parts(connection, change, now_ms=now_ms)
    step("parts listed")


def _new_parts(
    store: Store, writer: PartWriter, content: Content, closed_before: Day, layout: Layout, *, correcting: bool
) -> Iterator[Part]:
    """The hot rows of one content as parts: a file for each closed day with many and none yet, one for the rest."""
    hot = f"(FROM {HOT[content]} AS h{_NOT_REPLACED})" if correcting else HOT[content]
    counts = days_of_source(store.connection, hot)
    if not counts:
        return
    having = {part.day for part in store.parts() if part.content == content}
    large = [day for day, count in counts.items() if count >= layout.own_file_from]
    own = [day for day in large if day < closed_before and day not in having]
    for day in own:
        part = writer.write(content, within(hot, day), day=day)
        if part:
            yield part
    rest = within(hot, *own, inside=False) if own else hot
    if len(own) < len(counts):
        part = writer.write(content, rest)
        if part:
            yield part


_NOT_REPLACED = """
 WHERE NOT EXISTS (FROM base.replaced AS r WHERE r.tag_id = h.tag_id AND r.sampled_at = h.sampled_at)"""

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
