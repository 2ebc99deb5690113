"""Which detectors can be trusted, and how far the sheet reaches by what they see."""

from __future__ import annotations

from collector.message import Value
from collector.sheet.rules import Rules
from collector.sheet.state import Eyes, Moment


def look(rules: Rules, eyes: Eyes, values: dict[str, Value], moment: Moment) -> tuple[Eyes, dict[str, Value]]:
    """Eyes and role values as they are after a moment; the ones given are left as they are."""
    after = values | moment.values
    for role in moment.went_bad:
        after[role] = None if role in ("basis_weight", "reel_witness") else values.get(role)
    if not any(role[0] == "d" for role in (*moment.values, *moment.went_bad)) and not _may_recover(eyes, moment):
        return eyes, after
    seen = eyes.copy()
    for role, value in moment.values.items():
        if role[0] == "d":
            number = int(role[1:]) - 1
            seen.sees[number], seen.bad[number] = bool(value), False
            seen.blind[number] = seen.blind[number] and not value
    for role in moment.went_bad:
        if role[0] == "d":
            seen.bad[int(role[1:]) - 1] = True
    if seen.blind[-1] and not after.get("reel_witness"):
        seen.blind[-1] = False
    return seen, after


def _may_recover(eyes: Eyes, moment: Moment) -> bool:
    """A last detector that only the witness kept untrusted is trusted again once the witness changes."""
    return eyes.blind[-1] and ("reel_witness" in moment.values or "reel_witness" in moment.went_bad)


def runs(rules: Rules, values: dict[str, Value]) -> bool:
    """Whether the machine turns fast enough to carry a sheet."""
    speed = values.get("speed")
    return isinstance(speed, float) and speed >= rules.running_above_m_min


def reach(rules: Rules, eyes: Eyes, values: dict[str, Value]) -> int:
    """The frontier for coming back: 0 on a standing machine, and not n while the sheet is not at full width."""
    if not runs(rules, values):
        return 0
    frontier = eyes.frontier()
    if frontier == len(eyes.sees) and values.get("full_width") is False:
        return frontier - 1
    return frontier


def before_as_trusted(before: Eyes, after: Eyes) -> Eyes:
    """What the detectors saw before, judged with the trust that holds after: a change of trust moves no frontier."""
    if before is after:
        return before
    sees = [
        old if before.trusted(number) else new
        for number, (old, new) in enumerate(zip(before.sees, after.sees, strict=True))
    ]
    return Eyes(sees, after.bad, after.blind)


def falling(before: Eyes, after: Eyes) -> list[int]:
    """Detectors that are trusted and stopped seeing, or do not see and have just become trusted; first to last."""
    if before is after:
        return []
    return [number for number in after.lost() if before.sees[number] or not before.trusted(number)]
