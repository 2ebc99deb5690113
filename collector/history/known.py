"""What mill.toml says of a file's tags, under the names that the file gives them: number or not, unit, range. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from collector.settings import Machine, Mill

TagKey = tuple[str, str]
"""Machine, and the name that the file gives the tag."""

_TEXT_ROLES = {"grade", "shade", "reel"}
_ROLE_UNITS = {"speed": "m/min", "basis_weight": "g/m²", "moisture": "%"}
_TRUTH_ROLES = {"stock_on", "planned", "full_width"}


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownTag:
    """One tag, in the unit in which it is sent.

    unit
        None where mill.toml names none, or where it turns the sent unit into another that is not named.
    low, high
        Plausible range.
    """

    is_number: bool = False
    is_truth: bool = False
    unit: str | None = None
    low: float | None = None
    high: float | None = None

    def absurd_beyond(self) -> tuple[float, float] | None:
        """Limits beyond which values are not only implausible but of another unit: the range's width around it."""
        if self.low is None or self.high is None:
            return None
        width = self.high - self.low
        return self.low - width, self.high + width


def known_tags(mill: Mill) -> dict[TagKey, KnownTag]:
    """All tags that mill.toml says something of."""
    return {key: tag for machine in mill.machines for key, tag in _of_machine(machine).items()}


def _of_machine(machine: Machine) -> Mapping[TagKey, KnownTag]:
    found: dict[str, KnownTag] = {}
    texts = {tag for role, tag in machine.signals.items() if role in _TEXT_ROLES}
    for role, tag in machine.signals.items():
        if tag not in texts:
            is_truth = role in _TRUTH_ROLES
            found[tag] = KnownTag(is_number=True, is_truth=is_truth, unit=_ROLE_UNITS.get(role))
    for detector in machine.sheet_detectors:
        found[detector.tag] = KnownTag(is_number=True, is_truth=True)
    for settings in machine.tags:
        known = found.get(settings.name, KnownTag())
        says_number = {settings.unit, settings.low, settings.high} != {None}
        is_number = settings.name not in texts and (known.is_number or says_number)
        if (settings.factor, settings.offset) == (1, 0):
            known = replace(known, unit=settings.unit or known.unit, low=settings.low, high=settings.high)
        else:
            known = replace(known, unit=None)
        found[settings.name] = replace(known, is_number=is_number)
    names = {name: machine.name_sent(name) for name in found.keys() | texts}
    return {(machine.id, sent): found.get(name, KnownTag()) for name, sent in names.items()}
