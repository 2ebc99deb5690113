"""Detectors that go on seeing while their neighbours have lost the sheet: reported, and still trusted."""

from __future__ import annotations

from collector.fact import Fact, Fault, FaultClosed
from collector.message import Value
from collector.sheet.eyes import runs
from collector.sheet.rules import Rules
from collector.sheet.state import Eyes, OpenDowntime


def watch(
    rules: Rules, downtime: OpenDowntime, eyes: Eyes, values: dict[str, Value], at_ms: int, facts: list[Fact]
) -> None:
    """Note who sees alone from now on and from when on that is too long; who no longer does is not stuck."""
    running = runs(rules, values)
    for number in range(1, len(eyes.sees)):
        upstream = _seeing_alone(eyes, number) if running else None
        if upstream is None:
            downtime.stuck.pop(number, None)
            if number in downtime.reported_stuck:
                downtime.reported_stuck.discard(number)
                _over(rules, number, at_ms, facts)
        elif number not in downtime.stuck:
            speed = values.get("speed")
            passing_ms = rules.transport_ms(upstream, number, speed if isinstance(speed, float) else None)
            downtime.stuck[number] = (at_ms, at_ms + passing_ms + rules.blind_margin_ms + 1)


def forget(rules: Rules, downtime: OpenDowntime, at_ms: int, facts: list[Fact]) -> None:
    """Whatever was stuck is judged anew, if at all."""
    for number in sorted(downtime.reported_stuck):
        _over(rules, number, at_ms, facts)
    downtime.stuck, downtime.reported_stuck = {}, set()


def _over(rules: Rules, number: int, at_ms: int, facts: list[Fact]) -> None:
    tag = rules.detectors[number].tag
    facts.append(FaultClosed(machine=rules.machine, tag=tag, kind=Fault.STUCK, at_ms=at_ms))


def _seeing_alone(eyes: Eyes, number: int) -> int | None:
    """The nearest trusted detector upstream if this one sees while both its neighbours do not; else None."""
    if not eyes.trusted(number) or not eyes.sees[number]:
        return None
    upstream = next((other for other in range(number - 1, -1, -1) if eyes.trusted(other)), None)
    downstream = next((other for other in range(number + 1, len(eyes.sees)) if eyes.trusted(other)), None)
    if upstream is None or eyes.sees[upstream] or (downstream is not None and eyes.sees[downstream]):
        return None
    return upstream
