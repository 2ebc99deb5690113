"""What a rebuild did, in words and as plain data. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from collector.rebuild import Rebuilt
from collector.service.announce import instant

_NAMES = {
    "downtime": "downtimes",
    "threading_attempt": "attempts",
    "machine_state": "states",
    "detector_fault": "detector faults",
    "detector_flicker": "days with flicker",
    "reel": "reels",
    "grade_run": "grade runs",
    "production": "stretches of production",
}


def as_dict(done: Rebuilt) -> dict[str, object]:
    """All of it, for ``--json``."""
    change = done.change
    return {
        "machine": done.machine,
        "dry_run": done.dry_run,
        "same": done.same,
        "scans": done.scans,
        "late": done.late,
        "downtime": {
            "added": change.added,
            "removed": change.removed,
            "moved": change.moved,
            "changed": change.changed,
            "merged": change.merged,
            "split": change.split,
        },
        "rows": {
            table: {"before": before, "after": after, "gone": gone, "new": new}
            for table, (before, after, gone, new) in done.rows.items()
        },
        "orphan_notes": done.orphans,
        "new_orphan_notes": done.new_orphans,
    }


def lines(done: Rebuilt) -> Iterator[str]:
    """For people: what was read, what differs, which notes are left without a downtime."""
    read = f"{done.scans:,} scans read, {done.late:,} role values among them had come late"
    if done.same:
        yield f"{done.machine}: {read}. Nothing {'would change' if done.dry_run else 'has changed'}."
    else:
        yield f"{done.machine}: {read}."
        yield from _table(done)
        yield from _downtimes(done)
    for note in done.orphans:
        if note["note_id"] in done.new_orphans:
            said = note["cause"] or note["kind"]
            yield f"  note {note['note_id']} ({said}) on {note['downtime_id']}: {note['reason']}"
    if done.dry_run and not done.same:
        yield "  Nothing was changed: this was a dry run."


def _table(done: Rebuilt) -> Iterator[str]:
    yield f"  {'':<24}{'before':>8}{'after':>8}{'gone':>8}{'new':>8}"
    for table, name in _NAMES.items():
        before, after, gone, new = done.rows[table]
        yield f"  {name:<24}{before:>8}{after:>8}{gone:>8}{new:>8}"


def _downtimes(done: Rebuilt) -> Iterator[str]:
    change = done.change
    yield from (f"  {name}: added" for name in change.added)
    yield from (f"  {name}: gone, and none answers to it" for name in change.removed)
    yield from (f"  {old}: is {new} now" for old, new in change.moved.items())
    for name, columns in change.changed.items():
        yield f"  {name}: {', '.join(_changed(column, *pair) for column, pair in columns.items())}"
    yield from (f"  {name}: covers what was {', '.join(many)}" for name, many in change.merged.items())
    yield from (f"  {name}: is {' and '.join(many)} now" for name, many in change.split.items())


def _changed(column: str, before: object, after: object) -> str:
    """A value as it was and as it is, with as many digits as it takes to tell the two apart."""
    for digits in range(4, 18):
        a, b = _shown(column, before, digits), _shown(column, after, digits)
        if a != b:
            break
    return f"{column.removesuffix('_ms') + '_s' if column.endswith('_ms') else column} {a} -> {b}"


def _shown(column: str, value: object, digits: int) -> str:
    """A value as people read it; spans of time in seconds, as the views have them."""
    if value is None:
        return "none"
    if column.endswith("_at") and isinstance(value, int):
        return instant(value)
    if column.endswith("_ms") and isinstance(value, int):
        return f"{value / 1000:.3f}"
    return f"{value:.{digits}g}" if isinstance(value, float) else str(value)
