"""What the published store says: read without changing anything, whether the collector runs or not."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import duckdb
import msgspec

from collector.store.error import store_error
from collector.store.opening import PUBLISHED


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One run of the collector; ``ended_ms`` is None while it runs, and if it was cut off. [ms since 1970-01-01 UTC]"""

    run: int
    version: str
    started_ms: int
    ended_ms: int | None
    ended_cleanly: bool
    counts: dict[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineStored:
    """A machine's newest data and state; None if there are none. [ms since 1970-01-01 UTC]"""

    machine: str
    newest_ms: int | None
    state: str | None
    since_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenDowntime:
    """A downtime that has not ended by the machine's newest data. [ms]"""

    downtime_id: str
    machine: str
    kind: str
    section: str | None
    started_ms: int
    age_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """All that the published file and its folder say.

    cut_off
        The newest run that did not end cleanly and is not the last one; None if there is none.
    bytes, free_bytes
        Of the store's files, and free on their disk.
    """

    folder: Path
    published_ms: int
    data_to_ms: int | None
    last_run: Run | None
    cut_off: Run | None
    machines: tuple[MachineStored, ...]
    open_downtimes: tuple[OpenDowntime, ...]
    samples: int
    bytes: int
    free_bytes: int


def look(folder: Path) -> Stored | None:
    """Read the published store of a folder; None if nothing was ever published there.

    Raises
    ------
    StoreError
        If the file cannot be read.
    """
    path = folder / PUBLISHED
    if not path.exists():
        return None
    try:
        with duckdb.connect(path, read_only=True) as connection:
            connection.execute("SET TimeZone = 'UTC'")
            return _read(connection, folder)
    except duckdb.Error as error:
        raise store_error(error, path) from error


def _read(connection: duckdb.DuckDBPyConnection, folder: Path) -> Stored:
    published = connection.execute("SELECT epoch_ms(published_at), epoch_ms(data_to) FROM published").fetchone()
    runs = [_run(*row) for row in connection.execute(_RUNS).fetchall()]
    sizes = [file.stat().st_size for file in folder.rglob("*") if file.is_file()]
    samples = connection.execute("SELECT coalesce(sum(samples), 0)::BIGINT FROM message_count").fetchone()
    return Stored(
        folder=folder,
        published_ms=published[0] if published else 0,
        data_to_ms=published[1] if published else None,
        last_run=runs[0] if runs else None,
        cut_off=next((run for run in runs[1:] if not run.ended_cleanly), None),
        machines=tuple(
            MachineStored(machine=machine, newest_ms=newest, state=state, since_ms=since)
            for machine, newest, state, since in connection.execute(_MACHINES).fetchall()
        ),
        open_downtimes=tuple(
            OpenDowntime(downtime_id=name, machine=machine, kind=kind, section=section, started_ms=started, age_ms=age)
            for name, machine, kind, section, started, age in connection.execute(_OPEN).fetchall()
        ),
        samples=samples[0] if samples else 0,
        bytes=sum(sizes),
        free_bytes=shutil.disk_usage(folder).free,
    )


def _run(run: int, version: str, started_ms: int, ended_ms: int | None, ended_cleanly: bool, counts: str | None) -> Run:
    return Run(
        run=run,
        version=version,
        started_ms=started_ms,
        ended_ms=ended_ms,
        ended_cleanly=ended_cleanly,
        counts=msgspec.json.decode(counts, type=dict[str, int]) if counts else {},
    )


_RUNS = """
SELECT run, version, epoch_ms(started_at), epoch_ms(ended_at), ended_cleanly, counts
FROM collector_run ORDER BY run DESC
"""

_MACHINES = """
SELECT m.machine, epoch_ms(m.last_at), s.state, epoch_ms(s.started_at)
FROM machine AS m
LEFT JOIN machine_state AS s ON s.machine = m.machine AND s.ended_at IS NULL
ORDER BY m.machine
"""

_OPEN = """
SELECT
    d.downtime_id, d.machine, d.kind, d.section, epoch_ms(d.started_at),
    greatest(0, epoch_ms(m.last_at) - epoch_ms(d.started_at))
FROM downtime AS d
JOIN machine AS m ON m.machine = d.machine
WHERE d.ended_at IS NULL
ORDER BY d.started_at
"""
