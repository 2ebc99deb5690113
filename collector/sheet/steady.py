"""From scans to moments: a change of a detector counts once it has lasted, bad quality once it has stayed.

Scans are decided oldest first, each with what is known to follow; one that needs to know more waits, and all after it.
"""

from __future__ import annotations

from enum import Enum

from collector.fact import Fact, Fault, FaultClosed, FaultOpened, Flickered
from collector.message import Value
from collector.sheet.rules import Rules
from collector.sheet.state import ClosedScan, Moment, Steadied


class _Change(Enum):
    LASTED = 1
    FLICKER = 2
    CUT_OFF = 3
    GOES_ON = 4


def steady(rules: Rules, steadied: Steadied, facts: list[Fact]) -> list[Moment]:
    """Decide as many of the waiting scans as can be decided; give the moments they make, oldest first."""
    scans = steadied.undecided
    if len(scans) == 1 and (changed := _changes_in_calm(steadied, scans[0])) is not None:
        steadied.held.update(changed)
        at_ms = scans.pop().at_ms
        return [Moment(at_ms, changed)] if changed else []
    moments: list[Moment] = []
    done = 0
    while done < len(scans) and _decide(rules, steadied, scans, done, moments, facts):
        done += 1
    del scans[:done]
    return moments


def _changes_in_calm(steadied: Steadied, scan: ClosedScan) -> dict[str, Value] | None:
    """What a scan changes if nothing of it needs to last, which is nearly always; None if it is not so simple."""
    if scan.after_gap is not None or steadied.bad or steadied.dark or steadied.flickering or steadied.forgotten:
        return None
    held = steadied.held
    changed = {role: value for role, value in scan.values.items() if held.get(role, _NEVER) != value}
    for role, value in changed.items():
        if value is None or (role[0] == "d" and role in held):
            return None
    return changed


_NEVER = object()
"""Stands for the value of a role that was never heard of: equals none, not even a bad one."""


def known_until(steadied: Steadied, last_closed_ms: int | None) -> int | None:
    """Up to which time all moments are known; None before the first. [ms]"""
    if steadied.undecided:
        oldest = steadied.undecided[0]
        return oldest.at_ms - 1 if oldest.after_gap is None else oldest.after_gap
    return last_closed_ms


def _decide(
    rules: Rules, steadied: Steadied, scans: list[ClosedScan], index: int, moments: list[Moment], facts: list[Fact]
) -> bool:
    """Turn one scan into moments; False while it needs to know more."""
    scan = scans[index]
    went_bad = _which_went_bad(rules, steadied, scans, index)
    if went_bad is None:
        return False
    darkens = any(_darkens(rules, role) for role in went_bad)
    changes: dict[str, _Change] | None = {}
    if not steadied.dark and scan.after_gap is None:
        changes = _which_changed(rules, steadied, scans, index, cut_off=darkens)
    if changes is None:
        return False
    _tell_quality(rules, steadied, scan, went_bad, facts)
    if steadied.dark:
        _stay_dark(rules, steadied, scan, went_bad, moments)
        return True
    if scan.after_gap is not None:
        _come_back(rules, steadied, scan, went_bad, moments)
    else:
        _take(rules, steadied, scan, went_bad, changes, moments, facts)
    if darkens:
        steadied.dark.update(role for role in went_bad if _darkens(rules, role))
        moments.append(Moment(scan.at_ms, darkens=True))
    return True


def _tell_quality(rules: Rules, steadied: Steadied, scan: ClosedScan, went_bad: list[str], facts: list[Fact]) -> None:
    """Faults of detectors whose quality has become bad, or good again."""
    if not (went_bad or steadied.bad or steadied.dark):
        return
    for number, detector in enumerate(rules.detectors, start=1):
        role = f"d{number}"
        if role in went_bad:
            facts.append(FaultOpened(machine=rules.machine, tag=detector.tag, kind=Fault.BAD, at_ms=scan.at_ms))
        elif scan.values.get(role) is not None and (role in steadied.bad or role in steadied.dark):
            facts.append(FaultClosed(machine=rules.machine, tag=detector.tag, kind=Fault.BAD, at_ms=scan.at_ms))


def _darkens(rules: Rules, role: str) -> bool:
    """Whether the machine cannot be seen without this role."""
    return role == "speed" or role == f"d{len(rules.detectors)}"


def _matters(role: str) -> bool:
    """Whether bad quality of a role is more than its old value going on to hold."""
    return role[0] == "d" or role in ("speed", "basis_weight", "reel_witness")


def _which_went_bad(rules: Rules, steadied: Steadied, scans: list[ClosedScan], index: int) -> list[str] | None:
    """The roles that are bad from this scan on; None if that is not known yet."""
    went_bad = []
    for role, value in scans[index].values.items():
        if value is None and _matters(role) and role not in steadied.bad and role not in steadied.dark:
            stays_bad = _stays_bad(rules, scans, index, role)
            if stays_bad is None:
                return None
            if stays_bad:
                went_bad.append(role)
    return went_bad


def _stays_bad(rules: Rules, scans: list[ClosedScan], index: int, role: str) -> bool | None:
    """Whether no good value follows within ``stale_after_s``; None if that is not known yet."""
    if not rules.stale_after_ms:
        return False
    since_ms = scans[index].at_ms
    for scan in scans[index + 1 :]:
        if scan.at_ms - since_ms > rules.stale_after_ms:
            return True
        if scan.values.get(role) is not None:
            return False
    return None


def _which_changed(
    rules: Rules, steadied: Steadied, scans: list[ClosedScan], index: int, *, cut_off: bool
) -> dict[str, _Change] | None:
    """What becomes of each detector change that this scan first shows; None if one is not known yet.

    cut_off
        True when the machine cannot be seen after this scan.
    """
    changes = {}
    for role, value in scans[index].values.items():
        held = steadied.held.get(role)
        if role[0] != "d" or value is None or held is None or value == held or role in steadied.bad:
            continue
        if role in steadied.flickering:
            changes[role] = _Change.GOES_ON
        else:
            change = _Change.CUT_OFF if cut_off else _lasts(rules, steadied, scans, index, role)
            if change is None:
                return None
            changes[role] = _Change.LASTED if rules.debounce_ms == 0 else change
    return changes


def _lasts(rules: Rules, steadied: Steadied, scans: list[ClosedScan], index: int, role: str) -> _Change | None:
    """Whether the change of a detector lasts ``debounce_s``; None if that is not known yet."""
    since_ms, old = scans[index].at_ms, steadied.held[role]
    for follower in range(index + 1, len(scans)):
        scan = scans[follower]
        if scan.after_gap is not None:
            return _Change.CUT_OFF
        if scan.at_ms - since_ms >= rules.debounce_ms:
            return _Change.LASTED
        if scan.values.get(role) == old:
            return _Change.FLICKER
        went_bad = _which_went_bad(rules, steadied, scans, follower)
        if went_bad is None:
            return None
        if any(_darkens(rules, bad) for bad in went_bad):
            return _Change.CUT_OFF
    return _Change.LASTED if rules.debounce_ms == 0 else None


def _take(
    rules: Rules,
    steadied: Steadied,
    scan: ClosedScan,
    went_bad: list[str],
    changes: dict[str, _Change],
    moments: list[Moment],
    facts: list[Fact],
) -> None:
    """The ordinary scan: let its changes hold, save those that did not last."""
    moment = Moment(scan.at_ms, went_bad=_but_dark(rules, went_bad))
    for role, value in scan.values.items():
        change = changes.get(role, _Change.LASTED)
        if change is _Change.LASTED and value is not None:
            steadied.flickering.discard(role)
        if change is _Change.FLICKER:
            steadied.flickering.add(role)
            tag = rules.detectors[int(role[1:]) - 1].tag
            facts.append(Flickered(machine=rules.machine, tag=tag, at_ms=scan.at_ms))
        elif change is _Change.CUT_OFF:
            steadied.forgotten[role] = value
        elif (
            change is _Change.LASTED
            and value is not None
            and (steadied.held.get(role) != value or role in steadied.bad)
        ):
            steadied.held[role] = moment.values[role] = value
            steadied.bad.discard(role)
    steadied.bad.update(moment.went_bad)
    if moment.values or moment.went_bad:
        moments.append(moment)


def _but_dark(rules: Rules, went_bad: list[str]) -> list[str]:
    """The roles whose badness leaves the machine to be seen."""
    return [role for role in went_bad if not _darkens(rules, role)]


def _come_back(rules: Rules, steadied: Steadied, scan: ClosedScan, went_bad: list[str], moments: list[Moment]) -> None:
    """The first scan after a gap: what is heard holds at once, and so does what the gap had cut off."""
    if scan.after_gap is not None:
        moments.append(Moment(scan.after_gap, darkens=True))
    moment = Moment(scan.at_ms, lightens=True, went_bad=_but_dark(rules, went_bad))
    heard: dict[str, Value] = {role: value for role, value in scan.values.items() if value is not None}
    moment.values = steadied.forgotten | heard
    steadied.forgotten, steadied.flickering = {}, set()
    steadied.held |= moment.values
    steadied.bad -= heard.keys()
    steadied.bad.update(moment.went_bad)
    moments.append(moment)


_EVEN_IN_THE_DARK = ("reel", "grade", "shade", "planned")


def _stay_dark(rules: Rules, steadied: Steadied, scan: ClosedScan, went_bad: list[str], moments: list[Moment]) -> None:
    """Without speed or the last detector nothing is known: remember what changes until both are good again."""
    changes = steadied.dark_changes
    steadied.flickering = set()
    if steadied.forgotten:
        changes |= steadied.forgotten
        steadied.forgotten = {}
    for role, value in scan.values.items():
        if value is not None:
            steadied.held[role] = changes[role] = value
            steadied.bad.discard(role)
            steadied.dark.discard(role)
    for role in went_bad:
        if _darkens(rules, role):
            steadied.dark.add(role)
        else:
            changes[role] = None
            steadied.bad.add(role)
    seen = changes if not steadied.dark else {role: changes.pop(role) for role in _EVEN_IN_THE_DARK if role in changes}
    moment = Moment(scan.at_ms, lightens=not steadied.dark)
    moment.values = {role: value for role, value in seen.items() if value is not None}
    moment.went_bad = [role for role, value in seen.items() if value is None]
    if moment.lightens:
        steadied.dark_changes = {}
    if moment.lightens or moment.values or moment.went_bad:
        moments.append(moment)
