"""One moment: what held before it and what holds after it, and how it is let in once all has been asked."""

from __future__ import annotations

from collector.fact import (
    Fact,
    Fault,
    FaultClosed,
    FaultOpened,
    GradeRunStarted,
    ReelStarted,
    State,
    StateChanged,
)
from collector.message import Value
from collector.sheet import foresight, making, stuck
from collector.sheet.eyes import look, runs
from collector.sheet.foresight import Ahead, Fall
from collector.sheet.making import text
from collector.sheet.rules import Phase, Rules
from collector.sheet.state import Eyes, Moment, Sheet

Past = tuple[int, float | None, bool | None, bool | None]
"""(time [ms], speed [m/min], stock on, planned) as they held from then on."""


class Step:
    """One moment: first everything that must be known is asked, and only when all is answered is anything changed."""

    __slots__ = (
        "after", "ahead", "at_ms", "before", "count", "facts", "moment", "rules", "sheet", "values", "values_before",
    )  # fmt: skip

    def __init__(self, rules: Rules, sheet: Sheet, moment: Moment, ahead: Ahead, facts: list[Fact]) -> None:
        """Look at the moment; nothing is changed yet."""
        self.rules, self.sheet, self.moment, self.ahead, self.facts = rules, sheet, moment, ahead, facts
        self.at_ms = moment.at_ms
        self.count = len(sheet.eyes.sees)
        self.before, self.values_before = sheet.eyes, sheet.values
        self.after, self.values = look(rules, sheet.eyes, sheet.values, moment)

    def judge(self, *, before: Eyes, witness_counts: bool) -> Fall | None:
        """What the detectors that stopped seeing mean; None if that is not known yet."""
        return foresight.judge_fall(
            self.rules, before, self.after, self.values, self.at_ms, self.ahead, witness_counts=witness_counts
        )

    def set_blind(self, number: int) -> None:
        """From this moment on a detector is not trusted."""
        if self.after is self.before:
            self.after = self.before.copy()
        self.after.blind[number] = True

    def planned_rises(self) -> bool:
        """Whether the crew says in this moment that it will take the sheet off."""
        return self.values_before.get("planned") is False and self.values.get("planned") is True

    def accept(self, fall: Fall | None = None) -> None:
        """Let the moment hold: all has been asked."""
        self.end_what_was(fall)
        self.take_in()

    def end_what_was(self, fall: Fall | None) -> None:
        """The first half of it: the sheet was made with what held up to the moment."""
        for number in fall.blind if fall is not None else ():
            self.set_blind(number)
        making.go_on(self.rules, self.sheet.making, self.values_before, self.at_ms, self.facts)

    def take_in(self) -> None:
        """The second half: what the moment brings holds from now on."""
        sheet = self.sheet
        if self.moment.lightens:
            sheet.dark, sheet.gap_ended_ms = False, self.at_ms
        self.change_run()
        sheet.planned_rose = sheet.planned_rose or self.planned_rises()
        self._tell_blindness()
        past = past_of(self.at_ms, self.values)
        if not sheet.recent or sheet.recent[-1][1:] != past[1:]:
            sheet.recent = [*since(sheet.recent, self.at_ms - self.rules.trip_window_ms), past]
        sheet.eyes, sheet.values = self.after, self.values

    def finish(self) -> None:
        """What follows from all that the moment has changed."""
        if self.sheet.downtime is not None:
            stuck.watch(self.rules, self.sheet.downtime, self.after, self.values, self.at_ms, self.facts)
        tell_state(self.rules, self.sheet, self.at_ms, self.facts)

    def change_run(self) -> None:
        """Another reel, another grade or shade: what is made is cut there."""
        sheet, at_ms = self.sheet, self.at_ms
        changed = {
            role
            for role in ("reel", "grade", "shade")
            if role in self.moment.values and self.values[role] != self.values_before.get(role)
        }
        if not changed:
            return
        making.cut(self.rules, sheet.making, self.values_before, self.facts)
        if "reel" in changed:
            first = self.values_before.get("reel") is None
            reel = str(self.values["reel"])
            self.facts.append(ReelStarted(machine=self.rules.machine, reel=reel, at_ms=at_ms, first_seen=first))
            sheet.turned_up_ms = sheet.turned_up_ms if first else at_ms
        changed.discard("reel")
        if changed:
            self._start_grade_run(first=all(self.values_before.get(role) is None for role in changed))

    def _start_grade_run(self, *, first: bool) -> None:
        grade, shade = text(self.values.get("grade")), text(self.values.get("shade"))
        self.facts.append(
            GradeRunStarted(machine=self.rules.machine, grade=grade, shade=shade, at_ms=self.at_ms, first_seen=first)
        )
        if not first:
            self.sheet.grade_changed_ms = self.at_ms
            making.new_grade_run(self.sheet.making)

    def _tell_blindness(self) -> None:
        if self.after is self.before:
            return
        for number, detector in enumerate(self.rules.detectors):
            fault = FaultOpened if self.after.blind[number] else FaultClosed
            if self.after.blind[number] != self.before.blind[number]:
                self.facts.append(
                    fault(machine=self.rules.machine, tag=detector.tag, kind=Fault.BLIND, at_ms=self.at_ms)
                )


def tell_state(rules: Rules, sheet: Sheet, at_ms: int, facts: list[Fact]) -> None:
    """Say the state that the machine is in from now on, if it is another."""
    state = _state_now(rules, sheet)
    if state is sheet.state:
        return
    if sheet.state is State.ON_REEL:
        making.end(rules, sheet.making, sheet.values, facts)
    if state is State.ON_REEL:
        making.begin(sheet.making, at_ms)
    sheet.state = state
    facts.append(StateChanged(machine=rules.machine, state=state, at_ms=at_ms))


def _state_now(rules: Rules, sheet: Sheet) -> State:
    """The first state that applies."""
    if sheet.phase is Phase.UNSEEN:
        return State.NO_DATA
    if not runs(rules, sheet.values):
        return State.STOPPED
    if sheet.values.get("stock_on") is False:
        return State.STOCK_OFF
    return {Phase.ON_REEL: State.ON_REEL, Phase.THREADING: State.THREADING}.get(sheet.phase, State.DOWN)


def past_of(at_ms: int, values: dict[str, Value]) -> Past:
    """What tells a stop from a break, as it holds from a moment on."""
    speed, stock, planned = values.get("speed"), values.get("stock_on"), values.get("planned")
    return (
        at_ms,
        speed if isinstance(speed, float) else None,
        stock if isinstance(stock, bool) else None,
        planned if isinstance(planned, bool) else None,
    )


def since(recent: list[Past], from_ms: int) -> list[Past]:
    """What is newer than ``from_ms``, and the one before it that still held then."""
    first = 0
    while first + 1 < len(recent) and recent[first + 1][0] <= from_ms:
        first += 1
    return recent[first:]
