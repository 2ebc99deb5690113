"""What is made on the reel: integrals of speed and basis weight over on-reel time, cut at reel, grade and hour."""

from __future__ import annotations

from collector.fact import Fact, Produced
from collector.message import Value
from collector.sheet.rules import Rules
from collector.sheet.state import Making

HOUR_MS = 3_600_000
CONTEXT_MS = 30 * 60_000
"""On-reel time over which speed and rate before a loss are meant."""


def rate_t_h(*, trim_m: float, speed_m_min: float, basis_weight_g_m2: float) -> float:
    """Production rate at reel moisture: trim x speed x basis weight x 60 / 10^6. [t/h]"""
    return trim_m * speed_m_min * basis_weight_g_m2 * 60 / 1e6


def go_on(rules: Rules, making: Making, values: dict[str, Value], until_ms: int, facts: list[Fact]) -> None:
    """Integrate with the values that held up to ``until_ms``, cutting at every full clock hour on the way."""
    if making.since_ms is None:
        return
    speed, weight = values.get("speed"), values.get("basis_weight")
    speed_m_min = speed if isinstance(speed, float) else 0.0
    rate = None
    if isinstance(weight, float):
        rate = rate_t_h(trim_m=rules.trim_m, speed_m_min=speed_m_min, basis_weight_g_m2=weight)
    while making.until_ms < until_ms:
        hour_end_ms = (making.until_ms // HOUR_MS + 1) * HOUR_MS
        end_ms = min(until_ms, hour_end_ms)
        _add(making, end_ms - making.until_ms, speed_m_min, rate)
        making.until_ms = end_ms
        if end_ms == hour_end_ms:
            cut(rules, making, values, facts)


def _add(making: Making, lasted_ms: int, speed_m_min: float, rate: float | None) -> None:
    making.length_m += speed_m_min * lasted_ms / 60_000
    if making.tonnes_t is not None:
        making.tonnes_t = None if rate is None else making.tonnes_t + rate * lasted_ms / HOUR_MS
    recent = making.recent
    recent.append((lasted_ms, speed_m_min, rate))
    making.recent_ms += lasted_ms
    while making.recent_ms - recent[0][0] >= CONTEXT_MS:
        making.recent_ms -= recent.pop(0)[0]


def cut(rules: Rules, making: Making, values: dict[str, Value], facts: list[Fact]) -> None:
    """Give out what was made since the last cut, and begin anew."""
    made = under_way(rules, making, values)
    if made is not None:
        facts.append(made)
    if making.since_ms is not None:
        begin(making, making.until_ms)


def under_way(rules: Rules, making: Making, values: dict[str, Value]) -> Produced | None:
    """What has been made since the last cut; None if nothing."""
    if making.since_ms is None or making.until_ms == making.since_ms:
        return None
    return Produced(
        machine=rules.machine,
        started_ms=making.since_ms,
        ended_ms=making.until_ms,
        grade=text(values.get("grade")),
        shade=text(values.get("shade")),
        reel=text(values.get("reel")),
        length_m=making.length_m,
        tonnes_t=making.tonnes_t,
    )


def begin(making: Making, at_ms: int) -> None:
    """The sheet runs onto the reel from here on."""
    making.since_ms = making.until_ms = at_ms
    making.length_m, making.tonnes_t = 0.0, 0.0


def end(rules: Rules, making: Making, values: dict[str, Value], facts: list[Fact]) -> None:
    """The sheet runs onto the reel no longer."""
    cut(rules, making, values, facts)
    making.since_ms = None


def new_grade_run(making: Making) -> None:
    """Another grade or shade: means before a loss start anew."""
    making.recent, making.recent_ms = [], 0


def before_loss(making: Making) -> tuple[float | None, float | None]:
    """Mean speed and mean rate over the last 30 on-reel minutes of the grade run, or what there is. [m/min], [t/h]"""
    left_ms, speed_sum, rate_sum, rate_known = CONTEXT_MS, 0.0, 0.0, True
    for lasted_ms, speed, rate in reversed(making.recent):
        used_ms = min(left_ms, lasted_ms)
        speed_sum += speed * used_ms
        rate_sum += (rate or 0.0) * used_ms
        rate_known = rate_known and rate is not None
        left_ms -= used_ms
        if left_ms == 0:
            break
    total_ms = CONTEXT_MS - left_ms
    if total_ms == 0:
        return None, None
    return speed_sum / total_ms, rate_sum / total_ms if rate_known else None


def text(value: Value) -> str | None:
    """A text role's value."""
    return value if isinstance(value, str) else None
