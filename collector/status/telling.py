"""The status in lines for people, by the mill's clock, and as JSON for programs, in UTC and by the mill's clock."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from collector.logs import one_line
from collector.service.announce import instant
from collector.status.judge import Running, Status, age
from collector.status.stored import Run, Stored

_COUNTS = ("messages", "samples", "rejected", "late", "repeats", "repeated", "replaced")


def as_text(status: Status, zone: ZoneInfo) -> str:
    """Some lines, the last of which says whether all is well and if not, why.

    zone
        The mill's: every time that is told is by its clock.
    """
    lines = [f"{name:12}  {said}" for name, said in _lines(status, zone)]
    # What the broker holds in the collector's name, somebody else may have put there.
    return "\n".join(map(one_line, [*lines, verdict(status)]))


def verdict(status: Status) -> str:
    """One line."""
    return "healthy" if status.healthy else "not healthy: " + "; ".join(status.troubles)


def _lines(status: Status, zone: ZoneInfo) -> Iterator[tuple[str, str]]:
    health, stored = status.heard.health or {}, status.stored
    yield "mill time", f"{_clock(status.now_ms, zone)} ({zone.key}), as are all times here"
    since, began = _since(status), health.get("started_at")
    stretch = "" if since is None else f" since {_said_clock(since, zone)}"
    if began not in (None, since):
        stretch += f", begun {_said_clock(began, zone)}"
    version = f", version {health['version']}" if "version" in health else ""
    waiting = f", {health['waiting']} messages waiting" if "waiting" in health else ""
    yield "collector", f"{status.running}{stretch}{version}{waiting}"
    yield "broker", status.heard.why_not or "answers"
    counts = _counts(status)
    if counts:
        yield "this run", ", ".join(f"{counts[name]:,} {name}" for name in _COUNTS if name in counts)
    if stored is not None:
        yield from _stored_lines(status, stored, zone)


def _since(status: Status) -> object:
    """Since when the collector has been running, hanging or stopped, as it said itself; None if it did not."""
    health = status.heard.health or {}
    return health.get("started_at" if status.running is Running.RUNNING else "as_of")


def _stored_lines(status: Status, stored: Stored, zone: ZoneInfo) -> Iterator[tuple[str, str]]:
    to = "no data yet" if stored.data_to_ms is None else f"data to {_clock(stored.data_to_ms, zone)}"
    yield "published", f"{age(status.now_ms - stored.published_ms)} ago, {to}"
    free = f"{stored.free_bytes / 1e9:,.1f} GB free on its disk"
    yield "store", f"{stored.bytes / 1e6:,.1f} MB in {stored.folder}, {free}"
    if stored.cut_off is not None:
        begun = _clock(stored.cut_off.started_ms, zone)
        yield "cut off", f"run {stored.cut_off.run}, begun {begun}, did not end cleanly"
    for machine in stored.machines:
        newest = "nothing published yet" if status.fresh else "never sent anything"
        if machine.newest_ms is not None:
            newest = f"newest data {_clock(machine.newest_ms, zone)} ({age(status.now_ms - machine.newest_ms)} ago)"
        state = status.heard.states.get(machine.machine) or machine.state or "no state yet"
        yield machine.machine, f"{state}, {newest}"
    for down in stored.open_downtimes:
        where = f" in {down.section}" if down.section else ""
        since = f"since {_clock(down.started_ms, zone)}, open for {age(down.age_ms)} at the newest data"
        yield "", f"{down.downtime_id}: {down.kind}{where} {since}"


def _clock(at_ms: int, zone: ZoneInfo) -> str:
    """``2026-03-01 04:02:00`` by the mill's clock; with its offset in the hour that this clock shows twice."""
    at = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
    twice = at.replace(fold=0).utcoffset() != at.replace(fold=1).utcoffset()
    return f"{at:%Y-%m-%d %H:%M:%S}{at:%z}" if twice else f"{at:%Y-%m-%d %H:%M:%S}"


def _said_clock(said: object, zone: ZoneInfo) -> str:
    """The same of an instant that another wrote; as it was written where that is none."""
    try:
        return _clock(round(datetime.fromisoformat(str(said)).timestamp() * 1000), zone)
    except ValueError:
        return str(said)


def _counts(status: Status) -> dict[str, int]:
    """Of the present run: as it says itself, or as it last wrote down."""
    health = status.heard.health or {}
    said = {name: health[name] for name in _COUNTS if isinstance(health.get(name), int)}
    if said or status.stored is None or status.stored.last_run is None:
        return said
    return status.stored.last_run.counts


def as_json(status: Status, zone: ZoneInfo) -> dict[str, Any]:
    """Everything by name; instants in RFC 3339, in UTC and as ``…_mill_time``, what is unknown null."""
    health, stored = status.heard.health or {}, status.stored
    return {
        "healthy": status.healthy,
        "troubles": list(status.troubles),
        "time_zone": zone.key,
        **_both("as_of", status.now_ms, zone),
        "running": str(status.running),
        "since": _since(status),
        "started_at": health.get("started_at"),
        "version": health.get("version"),
        "waiting": health.get("waiting"),
        "counts": _counts(status),
        "broker": {"answers": status.heard.why_not is None, "why_not": status.heard.why_not},
        **_stored_json(status, stored, zone),
    }


def _stored_json(status: Status, stored: Stored | None, zone: ZoneInfo) -> dict[str, Any]:
    if stored is None:
        return {"store": None, "machines": [], "open_downtimes": [], "cut_off": None}
    return {
        "store": {
            "folder": str(stored.folder),
            **_both("published_at", stored.published_ms, zone),
            "published_s_ago": round((status.now_ms - stored.published_ms) / 1000, 3),
            **_both("data_to", stored.data_to_ms, zone),
            "samples": stored.samples,
            "bytes": stored.bytes,
            "free_bytes": stored.free_bytes,
        },
        "machines": [
            {
                "machine": machine.machine,
                **_both("newest_data", machine.newest_ms, zone),
                "state": machine.state,
                **_both("state_since", machine.since_ms, zone),
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
                **_both("started_at", down.started_ms, zone),
                "open_s": down.age_ms / 1000,
            }
            for down in stored.open_downtimes
        ],
        "cut_off": _run_json(stored.cut_off, zone),
    }


def _run_json(run: Run | None, zone: ZoneInfo) -> dict[str, Any] | None:
    if run is None:
        return None
    began = _both("started_at", run.started_ms, zone)
    return {"run": run.run, "version": run.version, **began, "counts": run.counts}


def _both(name: str, at_ms: int | None, zone: ZoneInfo) -> dict[str, str | None]:
    """An instant in UTC under its name, and by the mill's clock with its offset."""
    if at_ms is None:
        return {name: None, f"{name}_mill_time": None}
    at = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
    return {name: instant(at_ms), f"{name}_mill_time": at.isoformat(timespec="milliseconds")}
