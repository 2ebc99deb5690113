"""The ten fleet questions again, in Daft: an engine that also runs over many computers. Prints the answers as JSON.

    python -m tests.fleet_daft LAKE

In a process of its own, since Daft brings pyarrow, without which the product must do. It takes the list of files from
the manifests, and nothing else from the DuckDB views: cuts at handovers, clocks and sums are worked out by the other
engine. Its rows have the names and order of the questions in ``analysis/fleet/sql``.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import daft
from daft import DataFrame, DataType, Expression, col, lit
from daft import functions as f

from analysis.fleet.catalogue import Catalogue, Clip, File, read_catalogue

Rows = list[dict[str, Any]]


class Lake:
    """The tables of a lake as Daft sees them."""

    def __init__(self, folder: Path) -> None:
        self.catalogue: Catalogue = read_catalogue(folder)
        self.mills = self._newest("mill", ("mill",))
        self.machines = self._newest("machine", ("mill", "machine"))

    def table(self, name: str, *columns: str) -> DataFrame:
        """The named columns of a table's rows, each file cut to the time in which its machine was its writer's."""
        alike: defaultdict[tuple[str, Clip], list[File]] = defaultdict(list)
        for file in self.catalogue.of(name):
            for clip in file.clips:
                if file.rows:
                    alike[file.columns, clip].append(file)
        frames = [self._read(files, clip, columns) for (_, clip), files in alike.items()]
        whole = frames[0]
        for frame in frames[1:]:
            whole = whole.union_all(frame)
        return whole

    def _read(self, files: list[File], clip: Clip, columns: tuple[str, ...]) -> DataFrame:
        paths = [str(self.catalogue.folder / file.path) for file in files]
        frame = daft.read_parquet(paths, hive_partitioning=True)
        return _cut(frame, files[0], clip).select(*columns)

    def _newest(self, name: str, keys: tuple[str, ...]) -> dict[tuple[str, ...], dict[str, Any]]:
        """Of a small table, the row of each key that the newest file has; first and last times of all."""
        found: dict[tuple[str, ...], dict[str, Any]] = {}
        for file in sorted(self.catalogue.of(name), key=lambda file: file.written_at):
            path = str(self.catalogue.folder / file.path)
            for row in daft.read_parquet(path, hive_partitioning=True).to_pylist():
                key = tuple(row[one] for one in keys)
                if (before := found.get(key)) and row.get("last_at") and before["last_at"]:
                    row["last_at"] = max(row["last_at"], before["last_at"])
                found[key] = row
        return found

    def horizon(self) -> DataFrame:
        """The newest time of each machine."""
        rows = self.machines.values()
        return daft.from_pydict({name: [row[name] for row in rows] for name in ("mill", "machine", "last_at")})

    def local(self, frame: DataFrame, instant: str, **more: Callable[[Expression], Expression]) -> DataFrame:
        """Columns worked out of an instant by the clock of each row's mill: Daft converts to one zone at a time."""
        whole = None
        for (mill,), row in self.mills.items():
            at = f.convert_time_zone(col(instant), row["time_zone"])
            part = frame.where(_is(col("mill"), mill)).with_columns({name: of(at) for name, of in more.items()})
            whole = part if whole is None else whole.union_all(part)
        assert whole is not None
        return whole


def _cut(frame: DataFrame, file: File, clip: Clip) -> DataFrame:
    """Rows cut to a time, by the rules that FLEET.md gives for every engine."""
    if clip == Clip():
        return frame
    start, end = (None if at is None else lit(datetime.fromisoformat(at)) for at in (clip.start, clip.end))
    assert file.time is not None
    begun = col(file.time).cast(DataType.timestamp("us", "UTC"))
    if file.until is None or file.table == "threading_attempt":
        frame = frame if start is None else frame.where(begun >= start)
        return frame if end is None else frame.where(begun < end)
    until = col(file.until)
    if start is not None:
        frame = frame.where(until.is_null() | (until > start))
        began_before = begun < start
        if file.table == "downtime":
            frame = frame.with_columns(
                {
                    "kind": f.when(began_before, lit("unknown")).otherwise(col("kind")),
                    "start_uncertain": col("start_uncertain") | began_before,
                    "broke_t": f.when(began_before, lit(None)).otherwise(col("broke_t")),
                }
            )
        frame = frame.with_column(file.time, f.when(began_before, start).otherwise(begun))
    if end is not None:
        frame = frame.where(begun < end)
        goes_on = until.is_null() | (until > end)
        if file.table == "downtime":
            frame = frame.with_columns(
                {
                    "end_uncertain": col("end_uncertain") | goes_on,
                    "broke_t": f.when(goes_on, lit(None)).otherwise(col("broke_t")),
                }
            )
        frame = frame.with_column(file.until, f.when(goes_on, end).otherwise(until))
    if file.table == "downtime":
        lost_ms = _ms_between(col(file.time), col(file.until))
        frame = frame.with_columns(
            {"lost_s": lost_ms / 1000.0, "lost_t": lost_ms / 3_600_000.0 * col("rate_before_t_h")}
        )
    return frame


def _is(value: Expression, text: str) -> Expression:
    """Equality as an expression: Daft's own ``==`` is typed as if it gave a bool."""
    return value.eq_null_safe(lit(text))


def _us(instant: Expression) -> Expression:
    return instant.cast(DataType.timestamp("us", "UTC")).cast(DataType.int64())


def _ms_between(start: Expression, end: Expression) -> Expression:
    return (_us(end) / 1000).floor() - (_us(start) / 1000).floor()


def _breaks(lake: Lake, *columns: str) -> DataFrame:
    return lake.table("downtime", *dict.fromkeys(("mill", "machine", "kind", *columns))).where(
        _is(col("kind"), "break")
    )


def breaks_a_day(lake: Lake) -> Rows:
    states = lake.table("machine_state", "mill", "machine", "state", "started_at", "ended_at")
    states = states.where(_is(col("state"), "on_reel")).join(lake.horizon(), on=["mill", "machine"])
    states = states.with_column("ended_at", f.coalesce(col("ended_at"), col("last_at")))
    days = states.groupby("mill", "machine").agg(
        (_ms_between(col("started_at"), col("ended_at")).sum() / 86_400_000.0).alias("on_reel_days")
    )
    lost = _breaks(lake, "secondary").where(~f.coalesce(col("secondary"), lit(False)))
    lost = lost.groupby("mill", "machine").agg(col("kind").count().alias("breaks"))
    both = days.join(lost, on=["mill", "machine"], how="left").to_pylist()
    return _sorted(
        [
            {
                "mill": row["mill"],
                "machine": row["machine"],
                "breaks": row["breaks"] or 0,
                "on_reel_days": row["on_reel_days"],
                "breaks_a_day": (row["breaks"] or 0) / row["on_reel_days"],
            }
            for row in both
        ],
        "mill",
        "machine",
    )


def lost_time_by_section(lake: Lake) -> Rows:
    breaks = _breaks(lake, "section", "lost_s").with_column("section", f.coalesce(col("section"), lit("not known")))
    frame = breaks.groupby("section").agg(
        col("kind").count().alias("breaks"),
        col("mill").count_distinct().alias("mills"),
        (col("lost_s").sum() / 3600.0).alias("lost_h"),
        (col("lost_s").mean() / 60.0).alias("mean_min"),
    )
    return _sorted(frame.to_pylist(), "-lost_h", "section")


def broke_by_grade(lake: Lake) -> Rows:
    frame = lake.table("downtime", "kind", "grade", "broke_t")
    frame = frame.with_column("grade", f.coalesce(col("grade"), lit("not known")))
    frame = frame.groupby("grade").agg(
        col("kind").count().alias("downtimes"),
        col("broke_t").is_null().cast(DataType.int64()).sum().alias("without_tonnes"),
        col("broke_t").sum().alias("broke_t"),
    )
    return _sorted(frame.to_pylist(), "-broke_t", "grade")


def rethreading_by_machine(lake: Lake) -> Rows:
    frame = _breaks(lake, "ended_at", "start_uncertain", "end_uncertain", "lost_s", "attempts")
    frame = frame.where(~col("ended_at").is_null() & ~col("start_uncertain") & ~col("end_uncertain"))
    frame = frame.groupby("mill", "machine").agg(
        col("kind").count().alias("breaks"),
        f.median(col("lost_s")).alias("median_min"),
        col("attempts").mean().alias("mean_attempts"),
    )
    rows = [row | {"median_min": row["median_min"] / 60.0} for row in frame.to_pylist()]
    return _sorted(rows, "mill", "machine")


def late_data_by_mill(lake: Lake) -> Rows:
    frame = lake.table("message_count", "mill", "samples", "late", "out_of_range", "bad")
    frame = frame.groupby("mill").sum("samples", "late", "out_of_range", "bad")
    rows = [
        row | {"late_per_million": 1e6 * row["late"] / row["samples"]} for row in frame.to_pylist() if row["samples"]
    ]
    return _sorted(rows, "-late_per_million", "mill")


def flickering_detectors(lake: Lake) -> Rows:
    frame = lake.table("detector_fault", "mill", "machine", "tag", "kind", "count", "day", "ended_at")
    frame = (
        frame.where(_is(col("kind"), "flicker"))
        .groupby("mill", "machine", "tag")
        .agg(
            col("count").sum().alias("flickers"),
            col("day").count_distinct().alias("days"),
            col("ended_at").max().alias("newest_at"),
        )
    )
    return _sorted(frame.to_pylist(), "-flickers", "mill", "machine", "tag")[:20]


def availability_by_month(lake: Lake) -> Rows:
    states = lake.table("machine_state", "mill", "machine", "state", "started_at", "ended_at")
    states = states.where(~_is(col("state"), "no_data")).join(lake.horizon(), on=["mill", "machine"])
    states = states.with_column("ended_at", f.coalesce(col("ended_at"), col("last_at"))).collect()
    rows = []
    for (mill,), settings in lake.mills.items():
        of_mill = states.where(_is(col("mill"), mill))
        (ends,) = of_mill.agg(col("started_at").min(), col("ended_at").max()).to_pylist()
        zone = ZoneInfo(settings["time_zone"])
        for first, next_first in _months(ends["started_at"], ends["ended_at"], zone):
            start, end = lit(first.astimezone(UTC)), lit(next_first.astimezone(UTC))
            part = of_mill.where((col("started_at") < end) & (col("ended_at") > start))
            part = part.with_columns(
                {
                    "started_at": f.when(col("started_at") < start, start).otherwise(col("started_at")),
                    "ended_at": f.when(col("ended_at") > end, end).otherwise(col("ended_at")),
                }
            ).with_column("ms", _ms_between(col("started_at"), col("ended_at")))
            sums = {row["state"]: row["ms"] for row in part.groupby("state").sum("ms").to_pylist()}
            whole, on_reel = sum(sums.values()), sums.get("on_reel", 0.0)
            if whole:
                rows.append(
                    {
                        "mill": mill,
                        "month": f"{first:%Y-%m}",
                        "with_data_h": whole / 3_600_000,
                        "on_reel_h": on_reel / 3_600_000,
                        "on_reel_pct": 100 * on_reel / whole,
                    }
                )
    return _sorted(rows, "mill", "month")


def _months(first: datetime, last: datetime, zone: ZoneInfo) -> list[tuple[datetime, datetime]]:
    """The local months that a time touches, from midnight of the first to midnight of the next first."""
    at = first.astimezone(zone)
    months = []
    year, month = at.year, at.month
    while datetime(year, month, 1, tzinfo=zone) <= last.astimezone(zone):
        following = (year, month + 1) if month < 12 else (year + 1, 1)
        months.append((datetime(year, month, 1, tzinfo=zone), datetime(*following, 1, tzinfo=zone)))
        year, month = following
    return months


def breaks_by_local_hour(lake: Lake) -> Rows:
    frame = lake.local(_breaks(lake, "started_at"), "started_at", local_hour=lambda at: f.hour(at))
    frame = frame.groupby("local_hour").agg(
        col("kind").count().alias("breaks"), col("mill").count_distinct().alias("mills")
    )
    return _sorted(frame.to_pylist(), "local_hour")


def cost_by_currency(lake: Lake) -> Rows:
    frame = lake.table("downtime", "mill", "kind", "broke_t", "lost_t").where(~_is(col("kind"), "planned"))
    rows = []
    for row in frame.groupby("mill").sum("broke_t", "lost_t").to_pylist():
        mill = lake.mills[row["mill"],]
        rows.append(
            {
                "currency": mill["currency"],
                "mill": row["mill"],
                "broke_t": row["broke_t"],
                "broke_cost": row["broke_t"] * mill["broke_cost_per_t"],
                "lost_t": row["lost_t"],
                "lost_margin": row["lost_t"] * mill["margin_per_t"],
            }
        )
    return _sorted(rows, "currency", "mill")


def speed_by_local_day(lake: Lake) -> Rows:
    signals = lake.table("signal", "mill", "machine", "role", "tag").where(_is(col("role"), "speed"))
    frame = lake.table("sample", "mill", "machine", "tag", "sampled_at", "value")
    frame = frame.join(signals, on=["mill", "machine", "tag"])
    frame = lake.local(frame, "sampled_at", local_day=lambda at: f.strftime(at, "%Y-%m-%d"))
    frame = frame.groupby("mill", "machine", "local_day").agg(
        col("value").count().alias("samples"),
        col("value").mean().alias("mean_m_min"),
        col("value").max().alias("highest_m_min"),
    )
    return _sorted(frame.to_pylist(), "mill", "machine", "local_day")


QUESTIONS: tuple[Callable[[Lake], Rows], ...] = (
    availability_by_month, breaks_a_day, breaks_by_local_hour, broke_by_grade, cost_by_currency, flickering_detectors,
    late_data_by_mill, lost_time_by_section, rethreading_by_machine, speed_by_local_day,
)  # fmt: skip


def _sorted(rows: Rows, *keys: str) -> Rows:
    """In the order of the keys, from high to low where one begins with "-"; there, null comes last."""
    for key in reversed(keys):
        name = key.removeprefix("-")
        if key.startswith("-"):
            rows = sorted(rows, key=lambda row: (row[name] is not None, row[name] or 0), reverse=True)
        else:
            rows = sorted(rows, key=lambda row: row[name])
    return rows


def main() -> None:
    """Answer every question; how long each took goes to stderr."""
    lake = Lake(Path(sys.argv[1]))
    answers = {}
    for question in QUESTIONS:
        began = time.process_time()
        answers[question.__name__] = question(lake)
        print(f"{question.__name__}: {time.process_time() - began:.2f} s of processor", file=sys.stderr)
    json.dump(answers, sys.stdout, default=lambda value: value.isoformat())
    sys.stdout.flush()
    os._exit(0)  # The engine's threads sometimes abort an interpreter that ends while they are at work.


if __name__ == "__main__":
    main()
