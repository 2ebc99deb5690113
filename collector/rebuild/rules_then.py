"""By which settings a machine's sheet was tracked, and when."""

from __future__ import annotations

from dataclasses import dataclass, replace

import msgspec

from collector.pipeline import rules_of
from collector.settings import Machine, Mill
from collector.sheet import Rules
from collector.store import Store


class SettingsChanged(ValueError):
    """The machine was tracked by other settings before: --present-settings judges all of its time by today's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """From a source time on [ms], these rules hold."""

    from_ms: int
    rules: Rules


def present(mill: Mill, machine: str) -> list[Period]:
    """The rules of mill.toml, for all time."""
    return [Period(from_ms=0, rules=rules_of(mill.machine(machine), mill.heartbeats_s))]


def as_they_were(store: Store, mill: Mill, machine: str) -> list[Period]:
    """The rules by which each time was tracked when it came, oldest first; the last are those of mill.toml.

    Raises
    ------
    SettingsChanged
        If that cannot be done again: other signals or detectors, or times that were tracked by turns.
    """
    now = rules_of(mill.machine(machine), mill.heartbeats_s)
    periods: list[Period] = []
    newest_ms = 0
    for text, first_ms, last_ms in _spans(store, machine):
        rules = _rules_in(text, machine)
        if periods and periods[-1].rules == rules:
            newest_ms = max(newest_ms, last_ms)
            continue
        if rules is None or not _alike(rules, now) or (periods and first_ms <= newest_ms):
            raise SettingsChanged(
                f"{machine} was tracked by other settings before, and not all of it can be tracked by them again: "
                "--present-settings judges all of its time by those of mill.toml"
            )
        periods.append(Period(from_ms=first_ms, rules=rules))
        newest_ms = max(newest_ms, last_ms)
    if not periods:
        return present(mill, machine)
    periods[0] = replace(periods[0], from_ms=0)
    if periods[-1].rules != now:
        periods.append(Period(from_ms=newest_ms + 1, rules=now))
    return periods


def _spans(store: Store, machine: str) -> list[tuple[str, int, int]]:
    """Text of each configuration with the oldest and the newest source time of each day it was used on, in order."""
    with store.errors():
        return store.connection.execute(
            "SELECT c.text, min(m.first_scan_ms), max(m.last_scan_ms) "
            "FROM base.message_count AS m JOIN base.configuration AS c USING (configuration_id) "
            "WHERE m.machine = ? AND m.first_scan_ms IS NOT NULL GROUP BY c.configuration_id, c.text, m.day "
            "ORDER BY 2, 3",
            [machine],
        ).fetchall()


def _rules_in(text: str, machine: str) -> Rules | None:
    """The rules of a machine in a kept configuration; None if it does not know the machine, or cannot be read today."""
    try:
        kept = msgspec.json.decode(text)
        found = next(each for each in kept["machines"] if each["id"] == machine)
        said = ((number, source.get("heartbeat_s")) for number, source in enumerate(kept["sources"]))
        heartbeats_s = {number: float(heartbeat_s) for number, heartbeat_s in said if heartbeat_s is not None}
        return rules_of(Machine.model_validate_json(msgspec.json.encode(found), by_name=True), heartbeats_s)
    except (StopIteration, ValueError, KeyError):
        return None


def _alike(rules: Rules, others: Rules) -> bool:
    """Whether one tracker state can go on under the rules of the other."""
    return rules.roles == others.roles and rules.detectors == others.detectors and _count_sources_alike(rules, others)


def _count_sources_alike(rules: Rules, others: Rules) -> bool:
    """Whether sources with a heartbeat can have kept their numbers: more of them may have one than before, or fewer."""
    one, other = rules.heartbeats.keys(), others.heartbeats.keys()
    return one <= other or other <= one
