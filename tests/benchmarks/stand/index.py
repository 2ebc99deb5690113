"""Which lines of each benchmark's output count, and the goals that they are held against."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum


class Side(StrEnum):
    """On which side of a limit a goal is reached."""

    AT_MOST = "≤"
    AT_LEAST = "≥"


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """A limit for the ratio or, if not ``of_ratio``, for the figure of a line."""

    side: Side
    limit: float
    of_ratio: bool = True

    def words(self, figure: float, ratio: float | None, *, judge: bool) -> str:
        """The goal and, where it is to be judged, whether it is reached."""
        value = ratio if self.of_ratio else figure
        said = f"{'ratio' if self.of_ratio else 'figure'} {self.side} {self.limit:,.9g}"
        if not judge or value is None:
            return said
        reached = value <= self.limit if self.side is Side.AT_MOST else value >= self.limit
        return f"{said}: {'reached' if reached else 'missed'}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line that a benchmark prints, and what of it counts.

    pattern
        Finds the line, at its begin; ``figure`` and, if there is one, ``ratio`` name the numbers in it.
    unit, against
        Of the figure; what the ratio is taken to.
    quick
        Whether the small size prints it too.
    """

    benchmark: str
    what: str
    pattern: str
    unit: str
    against: str = ""
    goal: Goal | None = None
    quick: bool = True

    def cells(self, said: str, *, judge: bool) -> tuple[str, str, str] | None:
        """Figure, ratio and goal as words; None if no line matches."""
        found = re.search(self.pattern, said, re.MULTILINE)
        if found is None:
            return None
        numbers = {name: float(text.replace(",", "")) for name, text in found.groupdict().items()}
        figure, ratio = numbers["figure"], numbers.get("ratio")
        told = "" if self.goal is None else self.goal.words(figure, ratio, judge=judge)
        return f"{figure:,.9g} {self.unit}", "" if ratio is None else f"{ratio:,.9g} {self.against}", told


_F, _R, _ANY = r"(?P<figure>[\d,]*\.?\d+)", r"(?P<ratio>[\d,]*\.?\d+)", r"[\d,.]+"


def _least(limit: float) -> Goal:
    return Goal(side=Side.AT_LEAST, limit=limit, of_ratio=False)


def _most(limit: float, *, of_ratio: bool = False) -> Goal:
    return Goal(side=Side.AT_MOST, limit=limit, of_ratio=of_ratio)


def _live(samples: int, before: int, goal: Goal, *, unit: str, what: str, ratio: str = "") -> Line:
    """A figure in the row of so many samples a message, of the first broker: Mosquitto where there is one."""
    skipped = rf"(?:{_ANY} +){{{before}}}"
    return Line(
        benchmark="live", what=f"{what}, {samples} a message", pattern=rf"^ +{samples} +{skipped}{_F}{ratio}",
        unit=unit, against="÷ insert" if ratio else "", goal=goal, quick=samples == 50,
    )  # fmt: skip


LINES = (
    Line(benchmark="commit_delay", what="longest wait beside the merging of a day", unit="s",
         pattern=rf"^merged beside the commits +\d+ +\S+ +\S+ +{_F}"),
    Line(benchmark="coverage_table", what="coverage of the first 95 % interval at 20 events", unit="%",
         pattern=rf"^\| (?!interval|---)[^|]+\| [^|]+\| {_F} \|"),
    Line(benchmark="decode_speed", what="decoding a scan with RFC 3339 times", unit="ns a value",
         pattern=rf"^RFC 3339 +{_F} ns .*ratio {_R}", against="÷ msgspec alone"),
    Line(benchmark="demo", what="demo of 60 days, from start to end", unit="s",
         pattern=rf"^demo, \d+ days +{_F} s .*, {_R} ×", against="÷ simulating alone (CPU)", goal=_most(90)),
    Line(benchmark="demo", what="samples of the demo on disk", unit="bytes a sample",
         pattern=rf"^on disk: {_F} bytes", goal=_most(1.5)),
    Line(benchmark="dossier_year", what="dossier of one break over a year", unit="s",
         pattern=rf"^breakhorn dossier +{_F} s .* {_R} × the scan", against="÷ scan of a day (CPU)", goal=_most(2)),
    Line(benchmark="evidence_year", what="evidence over a year", unit="s",
         pattern=rf"^breakhorn evidence +{_F} s .* {_R} × the scan", against="÷ scan (CPU)", goal=_most(20)),
    Line(benchmark="fleet_lake", what="every row of the lake, by machine", unit="s of CPU",
         pattern=rf"^everything +{_ANY} +{_ANY} +{_ANY} +{_F} +{_R}", against="÷ without the view"),
    Line(benchmark="fleet_plan", what="a collector with 20 machines", unit="CPU µs a sample",
         pattern=rf"^ +collector, CPU a sample +{_F} µs"),
    Line(benchmark="history_load", what="load of a CSV export", unit="CPU µs a sample",
         pattern=rf"^steady\.csv: load .* {_F} CPU µs a sample .*alone {_R}", against="÷ DuckDB alone"),
    Line(benchmark="history_load", what="load of a Parquet export", unit="CPU µs a sample",
         pattern=rf"^steady\.parquet: load .* {_F} CPU µs a sample .*alone {_R}", against="÷ DuckDB alone"),
    Line(benchmark="history_load", what="load of a CSV export", unit="samples/s",
         pattern=rf"^steady\.csv: load +{_F} samples/s", goal=_least(1_000_000)),
    Line(benchmark="history_load", what="load of a Parquet export", unit="samples/s",
         pattern=rf"^steady\.parquet: load +{_F} samples/s", goal=_least(1_000_000)),
    Line(benchmark="history_load", what="sieve and tracker, hardly a change", unit="scans/s",
         pattern=rf"^sieve and tracker.*?: {_F} scans/s", goal=_least(1_000_000)),
    Line(benchmark="ingest", what="load: decode, track, commit", unit="CPU µs a sample",
         pattern=rf"^load: .*? \d+ +{_F} +\d+ +{_R}", against="÷ insert"),
    Line(benchmark="ingest", what="live, all in one process", unit="CPU µs a sample",
         pattern=rf"^live: .*? \d+ +{_F} +\d+ +{_R}", against="÷ insert"),
    _live(50, 1, _least(500_000), unit="samples/s", what="durable ingest"),
    _live(500, 1, _least(900_000), unit="samples/s", what="durable ingest"),
    _live(50, 5, _most(2, of_ratio=True), unit="CPU µs a sample", what="collector", ratio=rf" +{_R}"),
    _live(500, 5, _most(2, of_ratio=True), unit="CPU µs a sample", what="collector", ratio=rf" +{_R}"),
    _live(500, 7, _least(300), unit="times", what="less CPU than a row at a time"),
    Line(benchmark="live", what="one sample a message, beside paho alone", unit="%",
         pattern=rf"^ +[\d,]+ ÷ +[\d,]+ msg/s = +{_F}%", goal=_least(85)),
    Line(benchmark="live", what="three machines × 500 tags × 1 Hz", unit="% of a core",
         pattern=rf"^3 machines × 500 tags .*?: {_F}% of a core, {_R} ×", against="÷ insert", goal=_most(3)),
    Line(benchmark="page_streams", what="collector beside 50 open pages", unit="CPU ms a message",
         pattern=rf"^[1-9]\d* pages open +{_F} .*\n(?:.*\n)*?collector CPU, .*: {_R}", against="÷ no page"),
    Line(benchmark="page_streams", what="from commit to seen at a page, at worst", unit="ms",
         pattern=rf"^commit → event .*longest {_F} ms", goal=_most(1_000)),
    Line(benchmark="page_year", what="a shift of a year that nobody has asked for", unit="ms",
         pattern=rf"^another shift of the machine +{_F} +\S+ +{_R}", against="÷ DuckDB (CPU)", goal=_most(300)),
    Line(benchmark="readers", what="from commit to seen, at worst", unit="s",
         pattern=rf"^ +the longest +{_F} s", goal=_most(60)),
    Line(benchmark="readers", what="collector beside three readers", unit="messages/s",
         pattern=rf"^3 readers: .*? +{_F} /s +× {_R}", against="× nobody beside it"),
    Line(benchmark="rebuild_speed", what="rebuild", unit="µs a scan",
         pattern=rf"scans: +{_F} us each, .*, {_R} x", against="÷ the tracker alone"),
    Line(benchmark="risk_live", what="a look of the live scorer, processor", unit="ms",
         pattern=rf"^ +a look: .*? +{_F} ms +× {_R}", against="times less than all anew", goal=_most(50)),
    Line(benchmark="risk_skill", what="ranking: its share of what could be had, additive model", unit="%",
         pattern=r"^of what could be had, .*?: area (?P<figure>-?\d+)%", goal=_least(80)),
    Line(benchmark="risk_speed", what="exposure, judging and fit of 90 days", unit="s of CPU",
         pattern=rf"fit: {_F} s of processor time, {_R} times", against="÷ reading", goal=_most(60)),
    Line(benchmark="store_rates", what="publishing one scan, median", unit="ms",
         pattern=rf"^publish one scan.*? median +{_F} ms"),
    Line(benchmark="year", what="efficiency over a year of three machines", unit="s",
         pattern=rf"^breakhorn efficiency +{_F} +\S+ +{_R}", against="÷ DuckDB (CPU)", goal=_most(2)),
    Line(benchmark="year", what="pareto over a year of three machines", unit="s",
         pattern=rf"^breakhorn pareto +{_F} +\S+ +{_R}", against="÷ DuckDB (CPU)", goal=_most(2)),
)  # fmt: skip
"""Goals hold for the full size on two quiet cores."""
