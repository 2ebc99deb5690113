"""The mill that live benchmarks publish: some machines, each with the roles of the demo mill."""

from __future__ import annotations

from pathlib import Path

_HEAD = """
[mill]
name = "Ellerholm"
time_zone = "Europe/Helsinki"
currency = "EUR"

[broker]
port = {port}
window = {window}
{subscribe}

[[source]]
topic = "ellerholm/{{machine}}/scan"
format = "scan"

[[source]]
topic = "ellerholm/{{machine}}/tag/{{tag}}"
format = "value"
"""

_MACHINE = """
[[machine]]
id = "{name}"
name = "{name}"
trim_m = 3.40
running_above_m_min = 50

[machine.signals]
speed = "reel.speed"
stock_on = "headbox.stock_on"
grade = "order.grade"
reel = "reel.number"
basis_weight = "scanner.basis_weight"
"""

_DETECTOR = """
[[machine.sheet_detector]]
tag = "sheet.{section}"
section = "{section}"
position_m = {position_m}
"""

SECTIONS = ("couch", "press", "predryer", "sizepress", "afterdryer", "calender", "reel")


def write_mill(folder: Path, *, port: int, window: int, machines: tuple[str, ...], one_filter: bool) -> Path:
    """Write mill.toml.

    one_filter
        Subscribe once for all: the embedded broker keeps the order of messages only within one subscription.
    """
    parts = [_HEAD.format(port=port, window=window, subscribe='subscribe = "ellerholm/#"' if one_filter else "")]
    for name in machines:
        parts.append(_MACHINE.format(name=name))
        parts += [
            _DETECTOR.format(section=section, position_m=20 + 40 * place) for place, section in enumerate(SECTIONS)
        ]
    path = folder / "mill.toml"
    path.write_text("".join(parts), encoding="utf-8")
    return path
