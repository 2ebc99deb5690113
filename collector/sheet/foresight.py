"""What must be known of the time after a moment before it can be judged. Every answer is final; None: not known yet."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil

from collector.message import Value
from collector.sheet.eyes import falling, look, reach
from collector.sheet.rules import LONGEST_TRANSPORT_MS, Rules
from collector.sheet.state import Eyes, Moment


@dataclass(frozen=True, slots=True)
class Ahead:
    """The moments after one, as far as they are known.

    hasty
        True to have every question answered at once by the likeliest guess: for what is shown live, never for rows.
    """

    moments: list[Moment]
    first: int
    known_until_ms: int
    hasty: bool = False

    def within(self, until_ms: int) -> Iterator[tuple[int, Moment]]:
        """(index, moment) of those up to and with ``until_ms``, before a time without data."""
        for index in range(self.first, len(self.moments)):
            moment = self.moments[index]
            if moment.at_ms > until_ms or moment.darkens:
                return
            yield index, moment

    def knows(self, until_ms: int) -> bool:
        """Whether nothing up to ``until_ms`` can still be added: it is known, or a time without data cuts it off."""
        if self.known_until_ms >= until_ms or self.hasty:
            return True
        return any(moment.darkens for moment in self.moments[self.first :])

    def sees_through(self, until_ms: int) -> bool | None:
        """Whether everything up to ``until_ms`` was seen; False if a gap cut in, None if not known yet."""
        for moment in self.moments[self.first :]:
            if moment.darkens:
                return moment.at_ms >= until_ms
        if self.known_until_ms >= until_ms:
            return True
        return False if self.hasty else None

    def after(self, index: int) -> Ahead:
        """The same, seen from a later moment."""
        return Ahead(self.moments, index + 1, self.known_until_ms, self.hasty)


@dataclass(frozen=True, slots=True)
class Fall:
    """What detectors that stopped seeing in one moment mean.

    blind
        Those that were merely blind.
    lost
        The one at which the sheet was lost; None if it was not.
    """

    blind: tuple[int, ...]
    lost: int | None
    tied: bool = False


def judge_fall(
    rules: Rules, before: Eyes, after: Eyes, values: dict[str, Value], at_ms: int, ahead: Ahead, *, witness_counts: bool
) -> Fall | None:
    """Whether detectors that stopped seeing have lost the sheet or are blind (TRACKING.md, 6.1)."""
    fallen = falling(before, after)
    if not fallen:
        return Fall((), None)
    number = fallen[0]
    if len(fallen) > 1:
        # More than one in the same moment: a torn sheet, and nobody can say exactly where.
        # (A last detector that its witness has left falls; one merely heard for the first time does not.)
        really = [one for one in fallen if before.trusted(one) or before.blind[one]]
        return Fall((), number, tied=len(really) > 1)
    if number == len(after.sees) - 1:
        blind = witness_counts and _witness_sees(rules, after, values, at_ms, ahead)
    else:
        blind = after.lost() == [number] and _nothing_follows(rules, after, number, values, at_ms, ahead)
    if blind is None:
        return None
    return Fall((number,), None) if blind else Fall((), number)


def _nothing_follows(
    rules: Rules, eyes: Eyes, number: int, values: dict[str, Value], at_ms: int, ahead: Ahead
) -> bool | None:
    """Whether no detector downstream falls within the time the torn end would take to it."""
    windows = {
        later: arrival_ms + rules.blind_margin_ms + rules.debounce_ms
        for later, arrival_ms in _arrivals(rules, number, values, at_ms, ahead).items()
        if eyes.trusted(later)
    }
    if not windows:
        return False
    last_ms = ceil(max(windows.values()))
    seeing = dict.fromkeys(windows, True)
    for _, moment in ahead.within(last_ms):
        for later, until_ms in windows.items():
            role = f"d{later + 1}"
            if role in moment.values:
                if seeing[later] and moment.values[role] is False and moment.at_ms <= until_ms:
                    return False
                seeing[later] = moment.values[role] is True
            elif role in moment.went_bad:
                seeing[later] = False
    if ahead.hasty:
        return ahead.known_until_ms >= last_ms
    return True if ahead.knows(last_ms) else None


def _arrivals(rules: Rules, number: int, values: dict[str, Value], at_ms: int, ahead: Ahead) -> dict[int, float]:
    """When a torn end that left one detector at ``at_ms`` is at each one downstream, at the speeds that follow. [ms]

    At the latest after 60 s: a sheet that stands arrives nowhere. The newest known speed is taken to last.
    """
    latest_ms = float(at_ms + LONGEST_TRANSPORT_MS)
    here_m = rules.detectors[number].position_m
    far_m = {later: rules.detectors[later].position_m - here_m for later in range(number + 1, len(rules.detectors))}
    arrivals: dict[int, float] = {}
    then_ms, gone_m, speed = float(at_ms), 0.0, values.get("speed")
    changes = [
        (float(moment.at_ms), moment.values["speed"])
        for _, moment in ahead.within(at_ms + LONGEST_TRANSPORT_MS)
        if "speed" in moment.values
    ]
    for until_ms, next_speed in [*changes, (latest_ms, None)]:
        m_per_ms = speed / 60_000 if isinstance(speed, float) else 0.0
        for later, distance_m in far_m.items():
            if later not in arrivals and m_per_ms > 0 and gone_m + m_per_ms * (until_ms - then_ms) >= distance_m:
                arrivals[later] = then_ms + (distance_m - gone_m) / m_per_ms
        gone_m += m_per_ms * (until_ms - then_ms)
        then_ms, speed = until_ms, next_speed
    return {later: min(arrivals.get(later, latest_ms), latest_ms) for later in far_m}


def _witness_sees(rules: Rules, eyes: Eyes, values: dict[str, Value], at_ms: int, ahead: Ahead) -> bool | None:
    """Whether the witness goes on showing sheet at the reel, and no other detector falls meanwhile."""
    if not values.get("reel_witness"):
        return False
    until_ms = at_ms + rules.blind_margin_ms + rules.debounce_ms
    for _, moment in ahead.within(until_ms):
        if moment.values.get("reel_witness") is False or "reel_witness" in moment.went_bad:
            return False
        if any_falls(eyes, moment):
            return False
    # A witness that fell silent cannot contradict.
    return ahead.sees_through(until_ms)


def any_falls(eyes: Eyes, moment: Moment) -> bool:
    """Whether a trusted detector that sees stops doing so in this moment."""
    return any(
        moment.values.get(f"d{number + 1}") is False
        for number in range(len(eyes.sees))
        if eyes.trusted(number) and eyes.sees[number]
    )


def stays_on_reel(
    rules: Rules, eyes: Eyes, values: dict[str, Value], at_ms: int, ahead: Ahead, *, believed: bool
) -> bool | None:
    """Whether a frontier of n, reached at ``at_ms``, lasts for ``on_reel_confirm_s`` (TRACKING.md, 7).

    believed
        Whether the last detector can show another to be blind.
    """
    until_ms = at_ms + rules.on_reel_confirm_ms
    for index, moment in ahead.within(until_ms - 1):
        after, values_after = look(rules, eyes, values, moment)
        blind = blind_in_between(rules, eyes, after, values_after, moment, ahead.after(index), believed=believed)
        if blind is None:
            return None
        for number in blind:
            after.blind[number] = True
        if reach(rules, after, values_after) < len(after.sees):
            return False
        eyes, values = after, values_after
    # A time without data before the confirmation: not back, to be judged anew after it.
    return ahead.sees_through(until_ms)


def blind_in_between(
    rules: Rules,
    eyes: Eyes,
    after: Eyes,
    values: dict[str, Value],
    moment: Moment,
    ahead: Ahead,
    *,
    believed: bool,
) -> tuple[int, ...] | None:
    """The detectors that turn out to be blind at a moment at which the frontier was n."""
    if after is eyes:
        return ()
    if believed and after.sees[-1] and after.trusted(len(after.sees) - 1):
        shown = blind_while_down(rules, after, moment.at_ms, ahead)
        if shown is None or shown[0]:
            return None if shown is None else (shown[1],)
    fall = judge_fall(rules, eyes, after, values, moment.at_ms, ahead, witness_counts=False)
    return None if fall is None else fall.blind


def blind_while_down(rules: Rules, eyes: Eyes, at_ms: int, ahead: Ahead) -> tuple[bool, int] | None:
    """Whether the last detector, seeing steadily, shows one upstream to be blind (TRACKING.md, 7).

    Gives (it does, which one); None if that is not known yet.
    """
    last = len(eyes.sees) - 1
    never = set(eyes.lost())
    if not never:
        return False, 0
    until_ms = at_ms + rules.on_reel_confirm_ms
    for _, moment in ahead.within(until_ms):
        if (moment.values.get(f"d{last + 1}") is False and moment.at_ms < until_ms) or not never:
            return False, 0
        never -= {number for number in never if moment.values.get(f"d{number + 1}") is True}
    seen = ahead.sees_through(until_ms)
    if seen is None:
        return None
    return (True, never.pop()) if seen and len(never) == 1 else (False, 0)


def is_stop(
    rules: Rules, past: list[tuple[int, float | None, bool | None, bool | None]], at_ms: int, ahead: Ahead
) -> bool | None:
    """Whether stock or speed says that the machine was stopped around a loss (TRACKING.md, 6, kind).

    past
        (time, speed, stock on, planned) in and just before the window; the newest holds at ``at_ms``.
    """
    limit = 1 - rules.trip_drop_pct / 100
    highest = 0.0
    stock: bool | None = None
    speed: float | None = None
    for _, speed, stock, _ in past:
        if stock is False or (speed is not None and (speed < rules.running_above_m_min or speed < limit * highest)):
            return True
        highest = max(highest, speed or 0.0)
    until_ms = at_ms + rules.trip_window_ms
    for _, moment in ahead.within(until_ms):
        speed = moment.values.get("speed", speed)  # type: ignore[assignment]
        if moment.values.get("stock_on") is False:
            return True
        if speed is not None and (speed < rules.running_above_m_min or speed < limit * highest):
            return True
        highest = max(highest, speed or 0.0)
    return False if ahead.knows(until_ms) else None


def is_alone(rules: Rules, eyes: Eyes, at_ms: int, ahead: Ahead) -> bool | None:
    """Whether no other detector confirms what the last one says, within ``trip_window_s``."""
    until_ms = at_ms + rules.trip_window_ms
    if any(any_falls(eyes, moment) for _, moment in ahead.within(until_ms)):
        return False
    return True if ahead.knows(until_ms) else None
