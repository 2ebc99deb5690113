"""From the views of an open store to what a dossier takes; which break is meant."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from analysis.dossier.falls import Change, Detector
from analysis.evidence.cells import Tag
from analysis.read import CannotRead, Store

BEFORE_MS, AFTER_MS = 600_000, 600_000
"""Detectors are read from so long before the loss to so long after the return. [ms]"""
LAB_MS = 12 * 3_600_000
MOST_NAMED = 12


class NoSuchBreak(CannotRead):
    """No downtime, or more than one, answers to what was written; the message says which there are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tags:
    """Tags that are laid beside the quiet runs, and of each its declared use."""

    tags: tuple[Tag, ...]
    uses: tuple[str, ...]

    def of(self, *uses: str) -> list[int]:
        """Numbers of the tags of some uses."""
        return [n for n, use in enumerate(self.uses) if use in uses]


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What was noted and known about one downtime, as the views have it."""

    notes: tuple[dict[str, Any], ...] = ()
    clothing: tuple[dict[str, Any], ...] = ()
    lab: tuple[dict[str, Any], ...] = ()
    washed_ms: int | None = None


def find_downtime(store: Store, written: str) -> str:
    """The id of the downtime that was written: an id, the beginning of one or of its time, or ``last``.

    Raises
    ------
    NoSuchBreak
        For none and for several.
    """
    written = written.strip()
    rows = store.rows("SELECT downtime_id, machine, kind FROM downtime ORDER BY started_at, downtime_id")
    ids = [row["downtime_id"] for row in rows]
    if not ids:
        raise NoSuchBreak("the store holds no downtime yet")
    if written == "last":
        breaks = [row["downtime_id"] for row in rows if row["kind"] == "break"]
        if not breaks:
            raise NoSuchBreak("the store holds no break yet; the newest downtime is " + ids[-1])
        return str(breaks[-1])
    if written in ids:
        return written
    begins = [
        row["downtime_id"]
        for row in rows
        if row["downtime_id"].startswith(written) or row["downtime_id"].startswith(f"{row['machine']}-{written}")
    ]
    if len(begins) == 1:
        return str(begins[0])
    if not begins:
        raise NoSuchBreak(f"there is no downtime {written!r}; the newest are {_some(ids)}")
    raise NoSuchBreak(f"{len(begins)} downtimes begin with {written!r}: {_some(begins)}; write more of one")


def _some(ids: Sequence[str]) -> str:
    shown = ", ".join(ids[-MOST_NAMED:])
    return shown if len(ids) <= MOST_NAMED else f"… {shown}"


def read_case(store: Store, downtime_id: str) -> dict[str, Any]:
    """The row of one downtime."""
    (row,) = store.rows(_sql("case"), downtime_id=downtime_id)
    return row


def read_surroundings(store: Store, machine: str, downtime_id: str, at_ms: int) -> Surroundings:
    """Notes, clothing, laboratory and the last wash."""
    (washed,) = store.rows(_sql("washed"), machine=machine, at_ms=at_ms)
    return Surroundings(
        notes=tuple(store.rows(_sql("note"), machine=machine, downtime_id=downtime_id)),
        clothing=tuple(store.rows(_sql("clothing"), machine=machine, at_ms=at_ms)),
        lab=tuple(store.rows(_sql("lab"), machine=machine, at_ms=at_ms, from_ms=at_ms - LAB_MS)),
        washed_ms=washed["washed_ms"],
    )


def read_detectors(
    store: Store, machine: str, from_ms: int, to_ms: int
) -> tuple[tuple[Detector, ...], dict[str, tuple[Change, ...]], float]:
    """The detectors in path order, what each said in a stretch of time, and the debounce time. [ms], [s]"""
    rows = store.rows(_sql("detector"), machine=machine)
    tag_of = {row["tag_id"]: row["tag"] for row in rows if row["tag_id"] is not None}
    changes: dict[str, list[Change]] = {tag: [] for tag in tag_of.values()}
    for row in store.rows(_sql("seen"), tags=list(tag_of), from_ms=from_ms, to_ms=to_ms):
        changes[tag_of[row["tag_id"]]].append(Change(at_ms=row["at_ms"], sees=row["sees"], heard_ms=row["heard_ms"]))
    (setting,) = store.rows("SELECT debounce_s FROM machine WHERE machine = $machine", machine=machine)
    detectors = tuple(Detector(tag=r["tag"], section=r["section"], position_m=r["position_m"]) for r in rows)
    return detectors, {tag: tuple(own) for tag, own in changes.items()}, float(setting["debounce_s"])


def read_all_tags(store: Store, machine: str) -> Tags:
    """Every tag that is laid beside the quiet runs."""
    rows = store.rows(_sql("tag"), machine=machine)
    return Tags(
        tags=tuple(Tag(tag=r["tag"], tag_id=r["tag_id"], unit=r["unit"], section=r["section"]) for r in rows),
        uses=tuple(r["use"] for r in rows),
    )


@cache
def _sql(name: str) -> str:
    return (files("analysis.dossier") / "sql" / f"{name}.sql").read_text(encoding="utf-8")
