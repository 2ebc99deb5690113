"""In which order the detectors lost the sheet, in words."""

from __future__ import annotations

from typing import Any

from analysis.dossier.answer import Dossier
from analysis.dossier.falls import Fall, Falls, Verdict
from analysis.dossier.telling.common import subject
from analysis.result import Result, Table
from analysis.runnability.telling.wording import amount, listed, plain


def detector_part(found: Dossier) -> Result:
    """The detectors beside path and speed."""
    fallen = found.sheet.falls
    return Result(
        title="How the detectors lost the sheet",
        subject=subject(found),
        sentence=falls_said(fallen, found.case["kind"]),
        tables=(_falls_table(fallen),) if fallen.falls else (),
        values={"torn_between_m": plain(fallen.torn), "detectors": [_fall_values(f) for f in fallen.falls]},
    )


def falls_said(found: Falls, kind: str = "break") -> str:
    """What the order of the falls says, as a sentence.

    kind
        Of the downtime: a sheet that was taken off on purpose is not torn, and a tail runs slower as a machine stops.
    """
    first = found.of(Verdict.FIRST)
    if not first or found.torn is None:
        return "no detector was seen to lose the sheet at that moment."
    low, high = found.torn
    parts = [
        f"{first[0].detector.section} lost it first: {_PARTED.get(kind, 'torn')} between {low:g} and {high:g} m of path"
    ]
    in_time, late, early = (found.of(v) for v in (Verdict.IN_TIME, Verdict.LATE, Verdict.EARLY))
    if in_time:
        parts.append(f"{listed([f.detector.section for f in in_time])} followed as the tail ran out")
    if late:
        parts.append(
            f"{listed([_off(f) for f in late])} later than the tail should have passed: hung up, or a slow detector"
        )
    if early:
        parts.append(
            f"{listed([_off(f) for f in early])} before the tail could reach it: cut there as well, or clocks or "
            "detectors that disagree about the order"
        )
    if kind == "stop":
        parts.append("the machine was stopping, so that the tail runs slower than is expected here")
    knocked = found.of(Verdict.KNOCKED_OFF)
    if knocked:
        when = min(f.seen_s or 0.0 for f in knocked)
        parts.append(
            f"{listed([f.detector.section for f in knocked])} came later ({when:.1f} s): knocked off, not torn"
        )
    kept = found.of(Verdict.KEPT)
    if kept:
        parts.append(f"{listed([f.detector.section for f in kept])} kept the sheet")
    unclear = found.of(Verdict.UNCLEAR)
    if unclear:
        parts.append(f"{listed([f.detector.section for f in unclear])} cannot be put in order")
    return "; ".join(parts) + "."


_PARTED = {"planned": "taken off", "stop": "parted"}


def _off(fall: Fall) -> str:
    return f"{fall.detector.section} {abs((fall.seen_s or 0.0) - (fall.expected_s or 0.0)):.1f} s"


def _falls_table(found: Falls) -> Table:
    return Table(
        title="Detectors in path order",
        columns=("section", "path m", "seen s", "expected s", "what it says"),
        rows=tuple(
            (
                f.detector.section,
                f"{f.detector.position_m:g}",
                amount(f.seen_s, 1),
                amount(f.expected_s, 1),
                f.verdict.value,
            )
            for f in found.falls
        ),
        numbers=frozenset({1, 2, 3}),
        note="Seconds after the loss. Expected: metres of path from the detector that lost it first, over the speed.",
    )


def _fall_values(fall: Fall) -> dict[str, Any]:
    return {
        "tag": fall.detector.tag,
        "section": fall.detector.section,
        "position_m": fall.detector.position_m,
        "seen_s": fall.seen_s,
        "expected_s": None if fall.expected_s is None else round(fall.expected_s, 3),
        "verdict": fall.verdict.value,
    }
