"""The status in lines for people and as JSON for programs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from collector.announce import instant
from collector.status.judge import Status, age
from collector.status.stored import Run, Stored

_COUNTS = ("messages", "samples", "rejected", "late", "repeats", "repeated", "replaced")


def as_text(status: Status) -> str:
    """Some lines, the last of which says whether all is well and if not, why."""
    lines = [f"{name:12}  {said}" for name, said in _lines(status)]
    return "\n".join([*lines, verdict(status)])


def verdict(status: Status) -> str:
    """One line."""
    return "healthy" if status.healthy else "not healthy: " + "; ".join(status.troubles)


def _lines(status: Status) -> Iterator[tuple[str, str]]:
    health, stored = status.heard.health or {}, status.stored
    since = f" since {health['started_at']}" if "started_at" in health else ""
    version = f", version {health['version']}" if "version" in health else ""
    waiting = f", {health['waiting']} messages waiting" if "waiting" in health else ""
    yield "collector", f"{status.running}{since}{version}{waiting}"
    yield "broker", status.heard.why_not or "answers"
    counts = _counts(status)
    if counts:
        yield "this run", ", ".join(f"{counts[name]:,} {name}" for name in _COUNTS if name in counts)
    if stored is not None:
        yield from _stored_lines(status, stored)


def _stored_lines(status: Status, stored: Stored) -> Iterator[tuple[str, str]]:
    to = "no data yet" if stored.data_to_ms is None else f"data to {instant(stored.data_to_ms)}"
    yield "published", f"{age(status.now_ms - stored.published_ms)} ago, {to}"
    free = f"{stored.free_bytes / 1e9:,.1f} GB free on its disk"
    yield "store", f"{stored.bytes / 1e6:,.1f} MB in {stored.folder}, {free}"
    if stored.cut_off is not None:
        yield "cut off", f"run {stored.cut_off.run}, begun {instant(stored.cut_off.started_ms)}, did not end cleanly"
    for machine in stored.machines:
        newest = "never sent anything"
        if machine.newest_ms is not None:
            newest = f"newest data {instant(machine.newest_ms)} ({age(status.now_ms - machine.newest_ms)} ago)"
        state = status.heard.states.get(machine.machine) or machine.state or "no state yet"
        yield machine.machine, f"{state}, {newest}"
    for down in stored.open_downtimes:
        where = f" in {down.section}" if down.section else ""
        yield "", f"{down.downtime_id}: {down.kind}{where}, open for {age(down.age_ms)} at the newest data"


def _counts(status: Status) -> dict[str, int]:
    """Of the present run: as it says itself, or as it last wrote down."""
    health = status.heard.health or {}
    said = {name: health[name] for name in _COUNTS if isinstance(health.get(name), int)}
    if said or status.stored is None or status.stored.last_run is None:
        return said
    return status.stored.last_run.counts


def as_json(status: Status) -> dict[str, Any]:
    """Everything by name; instants in RFC 3339, what is unknown null."""
    health, stored = status.heard.health or {}, status.stored
    return {
        "healthy": status.healthy,
        "troubles": list(status.troubles),
        "as_of": instant(status.now_ms),
        "running": str(status.running),
        "since": health.get("started_at"),
        "version": health.get("version"),
        "waiting": health.get("waiting"),
        "counts": _counts(status),
        "broker": {"answers": status.heard.why_not is None, "why_not": status.heard.why_not},
        **_stored_json(status, stored),
    }


def _stored_json(status: Status, stored: Stored | None) -> dict[str, Any]:
    if stored is None:
        return {"store": None, "machines": [], "open_downtimes": [], "cut_off": None}
    return {
        "store": {
            "folder": str(stored.folder),
            "published_at": instant(stored.published_ms),
            "published_s_ago": round((status.now_ms - stored.published_ms) / 1000, 3),
            "data_to": _instant(stored.data_to_ms),
            "samples": stored.samples,
            "bytes": stored.bytes,
            "free_bytes": stored.free_bytes,
        },
        "machines": [
            {
                "machine": machine.machine,
                "newest_data": _instant(machine.newest_ms),
                "state": machine.state,
                "state_since": _instant(machine.since_ms),
                "provisional_state": status.heard.states.get(machine.machine),
            }
            for machine in stored.machines
        ],
        "open_downtimes": [
            {
                "downtime": down.downtime_id,
                "machine": down.machine,
                "kind": down.kind,
                "section": down.section,
                "started_at": instant(down.started_ms),
                "open_s": down.age_ms / 1000,
            }
            for down in stored.open_downtimes
        ],
        "cut_off": _run_json(stored.cut_off),
    }


def _run_json(run: Run | None) -> dict[str, Any] | None:
    if run is None:
        return None
    return {"run": run.run, "version": run.version, "started_at": instant(run.started_ms), "counts": run.counts}


def _instant(at_ms: int | None) -> str | None:
    return None if at_ms is None else instant(at_ms)
