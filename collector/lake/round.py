"""One round of copying: whatever the lake lacks, and no more. Cut off anywhere, the next round does what is left."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb

from collector.lake.ledger import Ledger
from collector.lake.manifest import File, Manifest, read_manifest
from collector.lake.owner import Writer, alone, claim, writer_id_of
from collector.lake.place import Lake, LakeFault, LakeRefused, digest_of, lake_errors, part_of, safe
from collector.lake.source import Source, open_source
from collector.lake.tables import DICTIONARY, LakeTable, Scope, of_scope
from collector.lake.tenure import Span, spans_of
from collector.publish.day import Day
from collector.settings import Mill
from collector.store.parts import Content

GRACE, GRACE_SMALL = timedelta(hours=24), timedelta(hours=1)
"""How long a day's samples, and the small tables, stay after no manifest names them any more: for whoever opened the
lake before. Small tables change with every round, so a day of them would be many files."""

_SITTING_S = 60.0
"""After so long the published store is opened anew: its parts stay for 15 minutes after they were replaced."""


@dataclass(slots=True, kw_only=True)
class Round:
    """What a round came to.

    files, rows
        Newly named in the lake.
    waiting_days
        Closed days that are not in the lake as they are in the store.
    troubles
        What was not copied, and what to do about it; empty if the lake has all it should have.
    """

    files: int = 0
    rows: int = 0
    waiting_days: int = 0
    troubles: list[str] = field(default_factory=list)


def copy_round(
    mill: Mill,
    *,
    now_ms: int,
    stopping: Callable[[], bool] = lambda: False,
    step: Callable[[str], None] = lambda name: None,
    opened: Callable[[duckdb.DuckDBPyConnection], None] = lambda connection: None,
) -> Round:
    """Copy what is published and the lake lacks.

    stopping
        Asked between two files; if it says so, the round ends there and the rest is done another time.
    step
        Called with the name of each step that is done; tests kill the process there.
    opened
        Called with each connection that is used, so that somebody can interrupt it.

    Raises
    ------
    LakeFault
        Nothing (more) could be copied. What was copied before stands.
    """
    done = Round()
    if mill.lake is None:
        raise LakeFault("mill.toml has no [lake]: name its folder there")
    with alone(mill.store.folder) as spool:
        lake = Lake(mill.lake.folder)
        while True:
            copier = _Copier(lake, mill.lake.writer, mill.store.folder, spool, now_ms=now_ms, done=done, step=step)
            try:
                if copier.sitting(stopping, opened):
                    return done
            except duckdb.Error as error:
                raise LakeFault(f"the published store cannot be copied: {str(error).splitlines()[0]}") from error


class _Copier:
    """One sitting over one state of the published store."""

    def __init__(
        self,
        lake: Lake,
        writer: str,
        store: Path,
        spool: Path,
        *,
        now_ms: int,
        done: Round,
        step: Callable[[str], None],
    ) -> None:
        self._lake, self._writer, self._store, self._spool = lake, writer, store, spool
        self._writer_id = writer_id_of(spool)
        self._now = datetime.fromtimestamp(now_ms / 1000, UTC)
        self._done, self._step = done, step
        self._manifests: dict[tuple[str | None, int | None], Manifest] = {}
        self._spans: dict[str, tuple[Span, ...]] = {}
        self._mill = ""

    def sitting(self, stopping: Callable[[], bool], opened: Callable[[duckdb.DuckDBPyConnection], None]) -> bool:
        """Copy for a minute; whether that was all. Manifests are put in place at its end, whatever ends it."""
        self._lake.forget(self._writer_id)
        self._done.troubles.clear()
        with open_source(self._store, self._spool) as source:
            opened(source.connection)
            self._mill, zone, currency = source.identity()
            writer = Writer(
                writer=self._writer, writer_id=self._writer_id, mill=self._mill, time_zone=zone, currency=currency
            )
            claim(self._lake, writer)
            for machine in source.machines():
                self._find_spans(source, machine)
            ledger = Ledger(self._lake, mill=self._mill, writer=self._writer)
            for key in ledger.retired:
                self._manifest(*key)
            try:
                whole = self._copy_small(source, ledger.tables, stopping) and self._copy_days(
                    source, ledger.days, stopping
                )
            finally:
                self._flush()
                ledger.retired = [key for key, manifest in self._manifests.items() if manifest.head.retired]
                ledger.write(self._writer_id)
        return whole or stopping()

    def _find_spans(self, source: Source, machine: str) -> None:
        """When the machine is ours; refusals are told, and nothing of it is copied."""
        try:
            spans = spans_of(self._lake, self._mill, machine, self._writer)
        except LakeRefused as error:
            self._done.troubles.append(str(error))
            spans = ()
        self._spans[machine] = spans
        newest = source.newest_us(machine)
        if spans and spans[-1].end is not None and newest is not None:
            newest_at = datetime.fromtimestamp(newest / 1e6, UTC)
            if newest_at > spans[-1].end + timedelta(days=1):
                self._done.troubles.append(
                    f"{machine} was handed over in the lake at {spans[-1].end.isoformat()}, but its data still come "
                    "here and are not copied: take it out of this mill.toml"
                )

    # ------------------------------------------------------------------------------------------------ small tables

    def _copy_small(self, source: Source, ledger: dict[str, str], stopping: Callable[[], bool]) -> bool:
        """Every small table whose rows have changed; False if it was stopped."""
        for table in (*of_scope(Scope.MILL), DICTIONARY):
            self._copy_one(source, table)
        marks: dict[str, str] = {}
        for table in (*of_scope(Scope.MACHINE), *of_scope(Scope.YEAR)):
            if stopping():
                return False
            for machine, of_year in source.marks(table).items():
                for year, mark in of_year.items():
                    if not self._is_ours(machine, year):
                        continue
                    key = f"{table.name}/{machine}/{year or ''}"
                    if ledger.get(key) != mark:
                        self._copy_one(source, table, machine=machine, year=year)
                    marks[key] = mark
        self._drop_gone(ledger.keys() - marks.keys())
        self._flush()
        ledger.clear()
        ledger.update(marks)
        return True

    def _is_ours(self, machine: str, year: int | None) -> bool:
        spans = self._spans.get(machine, ())
        return bool(spans) and (year is None or any(span.touches(_year(year), _year(year + 1)) for span in spans))

    def _drop_gone(self, keys: set[str]) -> None:
        """Name no more what has no rows any more: a rebuild may leave a machine and year without any."""
        for key in keys:
            table, machine, year = key.split("/")
            if self._is_ours(machine, int(year) if year else None):
                self._manifest(machine, int(year) if year else None).drop(table, None, now=self._now.isoformat())

    def _copy_one(
        self, source: Source, table: LakeTable, *, machine: str | None = None, year: int | None = None
    ) -> None:
        made = self._spool / "table.parquet"
        if table is DICTIONARY:
            source.copy_dictionary(made)
        else:
            source.copy_table(table, made, machine=machine, year=year)
        self._name(source, table, made, machine=machine, year=year)

    # ------------------------------------------------------------------------------------------------ days

    def _copy_days(self, source: Source, ledger: dict[str, str], stopping: Callable[[], bool]) -> bool:
        """Every closed day that changed since it was copied; False if there is more to do."""
        until_s = time.monotonic() + _SITTING_S
        days = source.closed_days(self._now)
        owned = _digest(sorted((machine, str(spans)) for machine, spans in self._spans.items()))
        due = {
            day: signature
            for day, parts in days.items()
            if ledger.get(day.isoformat()) != (signature := f"{source.signature(day, parts)} {owned}")
        }
        for day, signature in due.items():
            self._done.waiting_days = sum(ledger.get(other.isoformat()) != said for other, said in due.items())
            if stopping() or time.monotonic() > until_s:
                return False
            for table in of_scope(Scope.DAY):
                self._copy_day(source, table, day, days[day])
            ledger[day.isoformat()] = signature
        self._done.waiting_days = 0
        return True

    def _copy_day(self, source: Source, table: LakeTable, day: Day, parts: dict[Content, list[int]]) -> None:
        start = datetime(day.year, day.month, day.day, tzinfo=UTC)
        having = source.machines_of_day(day, parts, table.name)
        for machine, spans in self._spans.items():
            if not any(span.touches(start, start + timedelta(days=1)) for span in spans):
                continue
            if machine in having:
                made = self._spool / "day.parquet"
                source.copy_day(table, machine, day, parts, made)
                self._name(source, table, made, machine=machine, year=day.year, day=day)
            elif (table.name, day.isoformat()) in (manifest := self._manifest(machine, day.year)).files:
                manifest.drop(table.name, day.isoformat(), now=self._now.isoformat())

    # ------------------------------------------------------------------------------------------------ naming

    def _name(
        self,
        source: Source,
        table: LakeTable,
        made: Path,
        *,
        machine: str | None = None,
        year: int | None = None,
        day: date | None = None,
    ) -> None:
        """Put a file into the lake and name it, unless the very same one is named already."""
        manifest = self._manifest(machine, year)
        sha256, size = digest_of(made), made.stat().st_size
        key = day.isoformat() if day else None
        before = manifest.files.get((table.name, key))
        if before is not None and before.sha256 == sha256 and self._is_there(before):
            return
        rows, columns, first_at, last_at = source.facts(made, table.time)
        if not rows and before is None:
            return
        path = f"{self._folder_of(table, machine, year, key)}/{safe(self._writer)}-{sha256[:16]}.parquet"
        self._lake.put(made, path, writer_id=self._writer_id)
        self._step(f"{table.name} put")
        now = self._now.isoformat()
        manifest.take(
            File(
                table=table.name, mill=self._mill, machine=machine, year=None if day else year, day=key,
                writer=self._writer, path=path, rows=rows, bytes=size, sha256=sha256, columns=columns, time=table.time,
                until=table.until, first_at=first_at, last_at=last_at, written_at=now,
            ),
            now=now,
        )  # fmt: skip
        self._done.files += 1
        self._done.rows += rows

    def _is_there(self, file: File) -> bool:
        """Whether a file that is named is there, as far as its size can tell."""
        path = self._lake.folder / file.path
        with lake_errors(path):
            return path.exists() and path.stat().st_size == file.bytes

    def _folder_of(self, table: LakeTable, machine: str | None, year: int | None, day: str | None) -> str:
        levels = [table.name, part_of("mill", self._mill)]
        if machine is not None:
            levels.append(part_of("machine", machine))
        if day is not None:
            levels.append(f"day={day}")
        elif year is not None:
            levels.append(f"year={year}")
        return "/".join(levels)

    def _manifest(self, machine: str | None, year: int | None) -> Manifest:
        if (machine, year) not in self._manifests:
            self._manifests[machine, year] = read_manifest(
                self._lake,
                mill=self._mill,
                writer=self._writer,
                writer_id=self._writer_id,
                machine=machine,
                year=year,
            )
        return self._manifests[machine, year]

    def _before(self, path: str) -> str:
        """Since before when a file must have been named no more for nobody to need it."""
        return (self._now - (GRACE if "/day=" in path else GRACE_SMALL)).isoformat()

    def _flush(self) -> None:
        """Put every manifest in place that changed; delete what none has named for long."""
        for manifest in self._manifests.values():
            gone = [path for path, since in manifest.head.retired if since < self._before(path)]
            named = {file.path for file in manifest.files.values()}
            for path in gone:
                if path not in named:
                    with lake_errors(self._lake.folder / path):
                        (self._lake.folder / path).unlink(missing_ok=True)
            if gone:
                manifest.head.retired = [one for one in manifest.head.retired if one[0] not in gone]
                manifest.changed = True
            manifest.write(self._lake)
        self._step("manifests put")


def _digest(value: object) -> str:
    """A short text that is another one where the value is another one."""
    return hashlib.sha256(repr(value).encode()).hexdigest()[:12]


def _year(year: int) -> datetime:
    return datetime(year, 1, 1, tzinfo=UTC)
