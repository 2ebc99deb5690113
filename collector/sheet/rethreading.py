"""What ends a downtime: attempts, and the sheet back on the reel."""

from __future__ import annotations

from collector.fact import AttemptClosed, AttemptOpened, DowntimeClosed, Fact, Outcome
from collector.sheet import foresight, stuck
from collector.sheet.eyes import before_as_trusted, reach, runs
from collector.sheet.rules import Event, Phase, Rules
from collector.sheet.state import OpenDowntime, Sheet
from collector.sheet.step import Step


def bring_back(step: Step) -> bool:
    """Judge a moment while the sheet is off the reel; False while more must be known."""
    if not _let_the_reel_speak(step):
        return False
    torn = _torn_at_the_reel(step)
    if torn is None:
        return False
    trusted_before = before_as_trusted(step.before, step.after)
    frontier_before = step.count if torn else reach(step.rules, trusted_before, step.values_before)
    frontier = reach(step.rules, step.after, step.values)
    back: bool | None = False
    if frontier == step.count and _just_reached(step):
        believed = _reel_believed(step)
        back = foresight.stays_on_reel(step.rules, step.after, step.values, step.at_ms, step.ahead, believed=believed)
    if back is None:
        return False
    step.accept()
    _move(step, frontier_before, frontier)
    if back:
        _back_on_reel(step)
    step.finish()
    return True


def close_attempt(rules: Rules, sheet: Sheet, at_ms: int, frontier: int, outcome: Outcome, facts: list[Fact]) -> None:
    """The attempt under way has come as far as ``frontier``."""
    downtime = _open_one(sheet)
    facts.append(
        AttemptClosed(
            machine=rules.machine,
            downtime_id=downtime.downtime_id,
            attempt=downtime.attempts,
            ended_ms=at_ms,
            reached_section=rules.detectors[frontier - 1].section if frontier else None,
            outcome=outcome,
        )
    )


def _open_one(sheet: Sheet) -> OpenDowntime:
    if sheet.downtime is None:
        raise AssertionError(f"{sheet.phase} without a downtime")
    return sheet.downtime


def _let_the_reel_speak(step: Step) -> bool:
    """The last detector, once it has risen and sees on, shows one upstream to be blind; False: not known yet."""
    if (step.after is step.before and not step.moment.lightens) or not _reel_believed(step):
        return True
    shown = foresight.blind_while_down(step.rules, step.after, step.at_ms, step.ahead)
    if shown is not None and shown[0]:
        step.set_blind(shown[1])
    return shown is not None


def _reel_believed(step: Step) -> bool:
    """Whether the last detector has risen in this downtime, sees since, and was not found stuck."""
    downtime = _open_one(step.sheet)
    return _reel_rose(step, downtime) and step.count - 1 not in downtime.reported_stuck


def _reel_rose(step: Step, downtime: OpenDowntime) -> bool:
    """Whether the last detector has risen in this downtime, up to and with this moment, and sees since."""
    last = step.count - 1
    rose = step.before.trusted(last) and step.before.sees[last] is False
    sees = step.after.trusted(last) and step.after.sees[last] is True
    return sees and (rose or downtime.reel_rose)


def _torn_at_the_reel(step: Step) -> bool | None:
    """Whether a sheet that was at the reel, not yet confirmed, is lost: a detector can go blind there as ever."""
    if reach(step.rules, step.before, step.values_before) < step.count or not runs(step.rules, step.values):
        return False
    fall = step.judge(before=step.before, witness_counts=False)
    if fall is None:
        return None
    for number in fall.blind:
        step.set_blind(number)
    return fall.lost is not None


def _just_reached(step: Step) -> bool:
    return step.moment.lightens or reach(step.rules, step.before, step.values_before) < step.count


def _move(step: Step, frontier_before: int, frontier: int) -> None:
    sheet, downtime = step.sheet, _open_one(step.sheet)
    if frontier < frontier_before:
        if sheet.phase is Phase.THREADING:
            _close(step, frontier_before, Outcome.FAILED)
        sheet.go(Event.FELL)
    elif frontier > frontier_before:
        _open_attempt(step)
        downtime.risen_ms = step.at_ms
    elif sheet.phase is Phase.THREADING and frontier < step.count:
        _hold_what_stood_at_the_reel(step, downtime)
    downtime.reel_rose = _reel_rose(step, downtime)


def _hold_what_stood_at_the_reel(step: Step, downtime: OpenDowntime) -> None:
    """The frontier left n by a change of trust, long after its last rise: the attempt is held from now."""
    if downtime.risen_ms + step.rules.attempt_pause_ms <= step.at_ms:
        _close(step, reach(step.rules, step.sheet.eyes, step.sheet.values), Outcome.HELD)
        step.sheet.go(Event.STOOD_STILL)


def _open_attempt(step: Step) -> None:
    downtime = _open_one(step.sheet)
    if step.sheet.phase is Phase.DOWN:
        downtime.attempts += 1
        step.facts.append(
            AttemptOpened(
                machine=step.rules.machine,
                downtime_id=downtime.downtime_id,
                attempt=downtime.attempts,
                started_ms=step.at_ms,
            )
        )
    step.sheet.go(Event.ROSE)


def _close(step: Step, frontier: int, outcome: Outcome) -> None:
    close_attempt(step.rules, step.sheet, step.at_ms, frontier, outcome, step.facts)


def _back_on_reel(step: Step) -> None:
    """The attempt that is under way, or that this moment begins, is the last."""
    sheet, downtime, at_ms = step.sheet, _open_one(step.sheet), step.at_ms
    _open_attempt(step)
    _close(step, step.count, Outcome.SUCCESS)
    sheet.go(Event.BACK)
    stuck.forget(step.rules, downtime, at_ms, step.facts)
    step.facts.append(DowntimeClosed(machine=step.rules.machine, downtime_id=downtime.downtime_id, ended_ms=at_ms))
    sheet.confirmed_until_ms = at_ms + step.rules.on_reel_confirm_ms
    sheet.reel_believed = downtime.reel_rose
    sheet.downtime, sheet.on_reel_since_ms, sheet.gap_ended_ms = None, at_ms, None
    sheet.planned_rose = step.planned_rises()
