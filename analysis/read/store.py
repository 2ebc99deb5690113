"""What the published store says, as plain values: the only questions in SQL that the figures rest on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import duckdb

from analysis.broke.ledger import BrokeStep, Flows, Levels, Moisture, summed
from analysis.history import (
    NO_CAUSE_SECTION,
    Attempt,
    BrokePit,
    BrokeTower,
    DetectorFault,
    Downtime,
    Freshness,
    Grade,
    GradeRun,
    History,
    LabResult,
    Machine,
    Mill,
    OrphanNote,
    Production,
    Readings,
    Received,
    ShiftSpan,
    StateSpan,
    Stretch,
    joined,
)
from analysis.period import Period
from analysis.read.mill import NoSuchMachine

if TYPE_CHECKING:
    import polars as pl

PART_MS = 92 * 86_400_000
"""A period is judged in parts of this length: value by value, a whole one takes memory by its length. [ms]"""
HELD_MS = 86_400_000
"""How far back a value is looked for that holds at the beginning of a period. [ms]"""
_SQL = Path(__file__).parent.parent / "sql"


class Store:
    """An open published store."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        """Read from an open connection; whoever opened it closes it."""
        self.connection = connection

    def rows(self, sql: str, **parameters: object) -> list[dict[str, Any]]:
        """The rows of a query, each by column name."""
        done = self.connection.execute(sql, parameters or None)
        columns = [name for name, *_ in done.description or ()]
        return [dict(zip(columns, row, strict=True)) for row in done.fetchall()]

    def frame(self, sql: str, **parameters: object) -> pl.DataFrame:
        """The rows of a query as a polars frame; instants in UTC."""
        import polars as pl  # noqa: PLC0415 - takes a third of a second, and most figures do without it

        return pl.DataFrame(self.connection.sql(sql, params=parameters or None))

    def meanings(self) -> dict[str, str]:
        """What each column's name means wherever it stands: those that every view explains in the same words."""
        rows = self.rows(
            "SELECT column_name, any_value(comment) AS comment FROM duckdb_columns() WHERE schema_name = 'main' "
            "AND NOT internal GROUP BY column_name HAVING count(DISTINCT comment) = 1"
        )
        return {row["column_name"]: row["comment"] for row in rows}

    def freshness(self) -> Freshness:
        """When the store was published, and its newest source time."""
        (row,) = self.rows(
            "SELECT epoch_ms(published_at) AS published_ms, epoch_ms(data_to) AS data_to_ms FROM published"
        )
        return Freshness(**row)

    def mill(self) -> Mill:
        """The mill's own settings."""
        (row,) = self.rows(_sql("mill"))
        return Mill(zone=ZoneInfo(row.pop("time_zone")), **row)

    def machines(self) -> tuple[Machine, ...]:
        """Every machine of the mill, in the order of its file."""
        return tuple(Machine(**row) for row in self.rows(_sql("machine")))

    def machine(self, name: str) -> Machine:
        """One machine; NoSuchMachine says which there are."""
        machines = {m.machine: m for m in self.machines()}
        if name not in machines:
            raise NoSuchMachine(f"there is no machine {name!r}; this mill has {', '.join(machines) or 'none'}")
        return machines[name]

    def shifts(self, period: Period) -> tuple[ShiftSpan, ...]:
        """Every shift that touches a period."""
        return tuple(ShiftSpan(**row) for row in self._within("shift", period))

    def history(self, machine: Machine, period: Period, *, made: bool = True, received: bool = True) -> History:
        """Everything of one machine that touches a period.

        made
            False leaves out production and attempts, which for a year are more than all the rest together.
        received
            False leaves out what the collector counted, of the whole store and in every period alike.
        """
        of = {"machine": machine.machine}
        causes = self.rows("SELECT code, name, loss, section FROM cause")
        downtimes = tuple(Downtime(**row) for row in self._within("downtime", period, **of))
        return History(
            mill=self.mill(),
            machine=machine,
            freshness=self.freshness(),
            states=tuple(StateSpan(**row) for row in self._within("machine_state", period, **of)),
            downtimes=downtimes,
            shifts=self.shifts(period),
            grade_runs=tuple(GradeRun(**row) for row in self._within("grade_run", period, **of)),
            production=tuple(Production(**row) for row in self._within("production", period, **of)) if made else (),
            attempts=tuple(Attempt(**row) for row in self._within("threading_attempt", _whole(downtimes, period), **of))
            if made
            else (),
            detector_faults=tuple(DetectorFault(**row) for row in self._within("detector_fault", period, **of)),
            grades=tuple(Grade(**row) for row in self.rows(_sql("grade"))),
            broke_pits=tuple(
                BrokePit(**row) for row in self.rows("SELECT pit, section, consistency_pct FROM broke_pit")
            ),
            broke_towers=self._towers(machine),
            sections=tuple(
                row["section"]
                for row in self.rows(
                    "SELECT section FROM sheet_detector WHERE machine = $machine ORDER BY number", **of
                )
            ),
            received=self._received(machine.machine) if received else Received(),
            causes={row["code"]: row["name"] for row in causes},
            losses={row["code"]: row["loss"] for row in causes if row["loss"]},
            nameless=frozenset(row["code"] for row in causes if row["section"] == NO_CAUSE_SECTION),
        )

    def _towers(self, machine: Machine) -> tuple[BrokeTower, ...]:
        rows = self.rows(_sql("broke_tower"), machine=machine.machine)
        return tuple(BrokeTower(**row | {key: tuple(row[key]) for key in ("shades", "dosed_into")}) for row in rows)

    def stretches(self, machine: Machine, period: Period, *, part_ms: int = PART_MS) -> tuple[Stretch, ...]:
        """On-reel time of a period, cut wherever the judgement of speed or quality changes, in order of time.

        It reads every sample of three tags in the period, so only what asks for quality should call it.

        part_ms
            How much of the period is judged at once. [ms]
        """
        found: list[Stretch] = []
        roles = ("speed", "basis_weight", "moisture")
        for rows in self._in_parts("on_reel_stretch", "on_reel_held", period, part_ms, roles, machine=machine.machine):
            found = joined(found, [Stretch(**row) for row in rows])
        return tuple(found)

    def lab(self, machine: Machine, period: Period) -> tuple[LabResult, ...]:
        """Laboratory results of samples taken in a period."""
        return tuple(LabResult(**row) for row in self._within("lab", period, machine=machine.machine))

    def flows(
        self, machine: Machine, period: Period, towers: tuple[BrokeTower, ...], *, part_ms: int = PART_MS
    ) -> Flows:
        """What the broke ledger of a period is made of. It reads every sample of the tags it needs.

        part_ms
            How much of the period is read at once. [ms]
        """
        moisture = self.moisture(machine, period)
        if moisture is None:
            return Flows(moisture=None)
        steps = {tower.tower: self._broke_steps(machine, period, moisture, tower, part_ms) for tower in towers}
        # What fell is the same whichever tower it is read with.
        plain = next(iter(steps.values())) if steps else self._broke_steps(machine, period, moisture, None, part_ms)
        levels = {
            tower.tower: Levels(**row)
            for tower in towers
            if tower.level_tag is not None
            for row in self._within("broke_level", period, level=tower.level_tag, machine=machine.machine)
        }
        return Flows(moisture=moisture, plain=plain, steps=steps, levels=levels)

    def _broke_steps(
        self, machine: Machine, period: Period, moisture: Moisture, tower: BrokeTower | None, part_ms: int
    ) -> tuple[BrokeStep, ...]:
        asked = {
            "machine": machine.machine,
            "level": tower.level_tag if tower else None,
            "dosing": tower.dosing_tag if tower else None,
            "returned": tower.returned_tag if tower else None,
            "spilled": tower.spilled_tag if tower else None,
        }
        roles = ("speed", "basis_weight", "level", "dosing", "returned", "spilled")
        parts = self._in_parts("broke_step", "broke_held", period, part_ms, roles, dry=moisture.dry, **asked)
        return summed(BrokeStep(**row) for rows in parts for row in rows)

    def moisture(self, machine: Machine, period: Period) -> Moisture | None:
        """Moisture of the paper on the reel: as the mill counts on it, else by scanner, else by laboratory; or None."""
        if machine.reel_moisture_pct is not None:
            return Moisture(pct=machine.reel_moisture_pct, taken_from="mill.toml")
        (row,) = self._within("moisture", period, machine=machine.machine)
        if row["scanner_pct"] is not None:
            return Moisture(pct=row["scanner_pct"], taken_from="the moisture signal's mean")
        if row["lab_pct"] is not None:
            return Moisture(pct=row["lab_pct"], taken_from="the laboratory's mean")
        return None

    def readings(self, machine: Machine) -> Readings:
        """The newest good value of every tag of a machine."""
        of = {"machine": machine.machine}
        roles = self.rows("SELECT role, tag FROM signal WHERE machine = $machine", **of)
        return Readings(
            values={row["tag"]: row["value"] for row in self.rows(_sql("reading"), **of)},
            roles={row["role"]: row["tag"] for row in roles},
        )

    def _received(self, machine: str) -> Received:
        (counts,) = self.rows(_sql("received"), machine=machine)
        (unclean,) = self.rows(_sql("unclean_run"))
        return Received(
            **counts,
            **unclean,
            rejected=tuple((row["reason"], row["times"]) for row in self.rows(_sql("rejected"))),
            orphan_notes=tuple(OrphanNote(**row) for row in self.rows(_sql("orphan_note"), machine=machine)),
        )

    def _in_parts(
        self, name: str, held_by: str, period: Period, part_ms: int, roles: Sequence[str], **asked: object
    ) -> Iterator[list[dict[str, Any]]]:
        """The rows of each part of a period; what a part ends with holds at the beginning of the next."""
        held: dict[str, float | None] = dict.fromkeys(roles)
        for from_ms in range(period.from_ms, period.to_ms, part_ms):
            part = Period(from_ms=from_ms, to_ms=min(from_ms + part_ms, period.to_ms))
            back_ms = HELD_MS if from_ms == period.from_ms else 0
            yield self._within(name, part, back_ms=back_ms, **{f"held_{role}": held[role] for role in roles}, **asked)
            if part.to_ms < period.to_ms:
                known = {key: value for key, value in asked.items() if key != "dry"}
                held |= self._held(held_by, replace(part, from_ms=from_ms - back_ms), **known)

    def _held(self, name: str, part: Period, **asked: object) -> dict[str, float | None]:
        """What each role was last said to be in a part; most are said each day, so few need the whole of it read."""
        rows: list[dict[str, Any]] = []
        for from_ms in (max(part.from_ms, part.to_ms - HELD_MS), part.from_ms):
            rows = self._within(name, replace(part, from_ms=from_ms), **asked)
            if all(row["said"] for row in rows):
                break
        return {row["role"]: row["held"] for row in rows if row["said"]}

    def _within(self, name: str, period: Period, **parameters: object) -> list[dict[str, Any]]:
        return self.rows(_sql(name), from_ms=period.from_ms, to_ms=period.to_ms, **parameters)


def _whole(downtimes: Sequence[Downtime], period: Period) -> Period:
    """The period, as much longer as the downtimes that reach out of it: their attempts belong to them all the same."""
    begins = [d.started_ms for d in downtimes]
    ends = [d.ended_ms for d in downtimes if d.ended_ms is not None]
    return Period(from_ms=min([period.from_ms, *begins]), to_ms=max([period.to_ms, *ends]))


@cache
def _sql(name: str) -> str:
    return (_SQL / f"{name}.sql").read_text(encoding="utf-8")
