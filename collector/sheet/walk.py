"""Walks through the moments in order, each judged once with what must be known of the time after it."""

from __future__ import annotations

from collector.fact import EndBecameUncertain, Fact, Fault, FaultOpened, Kind, Outcome, State, StateChanged
from collector.sheet import losing, making, rethreading, stuck
from collector.sheet.eyes import reach, runs
from collector.sheet.foresight import Ahead, Fall
from collector.sheet.rules import Event, Phase, Rules
from collector.sheet.state import Eyes, Sheet
from collector.sheet.step import Step, tell_state


def walk(rules: Rules, sheet: Sheet, facts: list[Fact], *, hasty: bool = False) -> None:
    """Judge as many of the moments ahead as can be judged, then let the time pass that is known to have passed."""
    done = 0
    while done < len(sheet.ahead):
        known_ms = sheet.known_until_ms if sheet.known_until_ms is not None else sheet.ahead[done].at_ms
        step = Step(rules, sheet, sheet.ahead[done], Ahead(sheet.ahead, done + 1, known_ms, hasty), facts)
        if not _take(step):
            break
        done += 1
    del sheet.ahead[:done]
    until_ms = sheet.ahead[0].at_ms - 1 if sheet.ahead else sheet.known_until_ms
    if until_ms is not None:
        _pass_time(rules, sheet, until_ms, facts)


def _take(step: Step) -> bool:
    """Judge the moment; False while more must be known."""
    sheet = step.sheet
    _pass_time(step.rules, sheet, step.at_ms, step.facts, moment_follows=not sheet.dark)
    if step.moment.darkens:
        _turn_dark(step)
        return True
    if sheet.dark and not step.moment.lightens:
        _grope(step)
        return True
    match sheet.phase:
        case Phase.UNSEEN:
            return _start(step)
        case Phase.ON_REEL:
            return losing.run(step)
        case Phase.DOWN | Phase.THREADING:
            return rethreading.bring_back(step)


def _pass_time(rules: Rules, sheet: Sheet, until_ms: int, facts: list[Fact], *, moment_follows: bool = False) -> None:
    """What comes of standing still: a held attempt, a detector that has been seeing alone for too long.

    moment_follows
        True when a moment at ``until_ms`` is judged next: it has the last word on the state at that time.
    """
    downtime = sheet.downtime
    if downtime is None:
        return
    held_ms = downtime.risen_ms + rules.attempt_pause_ms
    held = sheet.phase is Phase.THREADING and reach(rules, sheet.eyes, sheet.values) < len(sheet.eyes.sees)
    due = [(overdue_ms, number) for number, (_, overdue_ms) in downtime.stuck.items()]
    if held:
        due.append((held_ms, -1))
    for due_ms, number in sorted(due):
        if due_ms > until_ms:
            return
        if number == -1:
            frontier = reach(rules, sheet.eyes, sheet.values)
            rethreading.close_attempt(rules, sheet, held_ms, frontier, Outcome.HELD, facts)
            sheet.go(Event.STOOD_STILL)
            if not (sheet.dark or (moment_follows and held_ms == until_ms)):
                tell_state(rules, sheet, held_ms, facts)
        elif number not in downtime.reported_stuck:
            downtime.reported_stuck.add(number)
            since_ms, tag = downtime.stuck[number][0], rules.detectors[number].tag
            facts.append(FaultOpened(machine=rules.machine, tag=tag, kind=Fault.STUCK, at_ms=since_ms))


# --- before anything is known ----------------------------------------------------------------------------------------


def _start(step: Step) -> bool:
    if step.values.get("speed") is None or step.after.sees[-1] is None:
        step.accept()
        _no_data(step)
        return True
    nobody = Eyes([None] * step.count, [False] * step.count, [False] * step.count)
    fall = step.judge(before=nobody, witness_counts=True)
    if fall is None:
        return False
    step.accept(fall)
    step.sheet.planned_rose = step.planned_rises()
    if fall.lost is None and runs(step.rules, step.values):
        step.sheet.go(Event.FOUND_ON_REEL)
    else:
        step.sheet.go(Event.FOUND_DOWN)
        losing.open_downtime(step, Kind.UNKNOWN, Fall((), None), unwitnessed=False)
    step.finish()
    return True


# --- in the dark -----------------------------------------------------------------------------------------------------


def _turn_dark(step: Step) -> None:
    """From here on nothing is known: the clock of an open downtime becomes uncertain."""
    sheet, rules = step.sheet, step.rules
    making.go_on(rules, sheet.making, step.values, step.at_ms, step.facts)
    _no_data(step)
    sheet.dark, sheet.recent, sheet.on_reel_since_ms = True, [], None
    downtime = sheet.downtime
    if downtime is not None:
        stuck.forget(rules, downtime, step.at_ms, step.facts)
        if not downtime.end_uncertain:
            downtime.end_uncertain = True
            step.facts.append(EndBecameUncertain(machine=rules.machine, downtime_id=downtime.downtime_id))


def _grope(step: Step) -> None:
    """In the dark only reel, grade, shade and planned are taken in."""
    step.change_run()
    step.sheet.planned_rose = step.sheet.planned_rose or step.planned_rises()
    step.sheet.values = step.values


def _no_data(step: Step) -> None:
    sheet = step.sheet
    if sheet.state is State.ON_REEL:
        making.end(step.rules, sheet.making, step.values_before, step.facts)
    if sheet.state is not State.NO_DATA:
        sheet.state = State.NO_DATA
        step.facts.append(StateChanged(machine=step.rules.machine, state=State.NO_DATA, at_ms=step.at_ms))
