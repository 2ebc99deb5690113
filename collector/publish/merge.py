"""Keeps parts few: some of one size become one of the next, and a closed day becomes one file."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, datetime

from collector.publish.day import Day, days_of_source, within
from collector.publish.layout import Layout
from collector.publish.part_file import PartWriter, Relisting, Step, paths_of, source_of
from collector.store import Store
from collector.store.parts import COLUMNS, Content, Part


def merge(store: Store, *, now_ms: int, closed_before: Day, layout: Layout, step: Step) -> None:
    """Merge what is due, one transaction for each content after its files are written."""
    for content in COLUMNS:
        parts = [part for part in store.parts() if part.content == content]
        due = due_parts(parts, closed_before=closed_before, together=layout.together)
        if due:
            _merge(store, content, due, now_ms=now_ms, closed_before=closed_before, step=step)


def due_parts(parts: list[Part], *, closed_before: Day, together: int) -> list[Part]:
    """The parts to be merged now; none if there is nothing to gain. Closed days' own files are not among them."""
    loose = [part for part in parts if part.day is None]
    closed = [part for part in loose if day_of(part.first_us) < closed_before]
    having = {part.day for part in parts}
    if len(closed) >= together or any(day_of(part.first_us) not in having for part in closed):
        return closed
    levels: defaultdict[int, list[Part]] = defaultdict(list)
    for part in loose:
        levels[part.level].append(part)
    full = [same for same in levels.values() if len(same) >= together]
    return full[0] if full else []


def day_of(at_us: int) -> Day:
    """The day (UTC) of a time. [µs]"""
    return datetime.fromtimestamp(at_us // 1_000_000, UTC).date()


def _merge(store: Store, content: Content, due: list[Part], *, now_ms: int, closed_before: Day, step: Step) -> None:
    """Give the rows of closed days to those days' files, and put the rest into one part of the next level."""
    writer = PartWriter(store)
    source = source_of(paths_of(writer.folder, due))
    days = days_of_source(store.connection, source)
    closed = [day for day in days if day < closed_before]
    own = [part for part in store.parts() if part.content == content and part.day in closed]
    change = Relisting(removed=[*due, *own])
    for day in closed:
        files = paths_of(writer.folder, [*due, *(part for part in own if part.day == day)])
        change.added += _written(writer.write(content, within(source_of(files), day), level=0, day=day))
    if len(closed) < len(days):
        rest = within(source, *closed, inside=False) if closed else source
        level = max(part.level for part in due) + 1
        change.added += _written(writer.write(content, rest, level=level))
    step(f"merged {content} parts written")
    with store.transaction() as connection:
        writer.list_parts(connection, change, now_ms=now_ms)
    step(f"merged {content} parts listed")


def _written(part: Part | None) -> list[Part]:
    return [part] if part else []
