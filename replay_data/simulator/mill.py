"""The demo mill's mill.toml, for as many machines as are simulated."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

MILL_TOML = Path(__file__).parent.parent / "mill.toml"
MACHINE = "pm2"
_END = "end of machine"
_LAST_LINE = "# ----" + "-" * 86 + " " + _END
_ROLES = ("reel.speed", "scanner.basis_weight")


def mill_toml(machines: Iterable[str] = (MACHINE,)) -> str:
    """The text of mill.toml with a machine for each id: all are built alike, each with a history of its own."""
    lines = MILL_TOML.read_text(encoding="utf-8").splitlines(keepends=True)
    first = lines.index("[[machine]]\n")
    last = next(k for k, line in enumerate(lines) if _END in line)
    block = "".join(lines[first:last])
    return "".join([*lines[:first], *(_renamed(block, machine) for machine in machines), *lines[last:]])


def with_tags(tables: str) -> str:
    """The text of mill.toml with other tags than the demo's: ``[[machine.tag]]`` tables, speed and grammage apart."""
    text = MILL_TOML.read_text(encoding="utf-8")
    first, end = text.index("[[machine.tag]]"), text.index(_LAST_LINE)
    kept = [table for table in text[first:end].split("\n\n") if any(f'"{tag}"' in table for tag in _ROLES)]
    towers = text.index("[[broke_tower]]")
    return text[:first] + "\n\n".join([*kept, tables]) + text[end:towers] + text[text.index("[money]") :]


def _renamed(block: str, machine: str) -> str:
    name = machine.upper().replace("PM", "PM ")
    return block.replace(f'id = "{MACHINE}"', f'id = "{machine}"').replace('name = "PM 2"', f'name = "{name}"')
