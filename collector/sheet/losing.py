"""What begins a downtime: whether the sheet on the reel is lost, where, and as what."""

from __future__ import annotations

from datetime import UTC, datetime

from collector.fact import DowntimeOpened, Kind
from collector.sheet import foresight, making
from collector.sheet.eyes import runs
from collector.sheet.foresight import Fall
from collector.sheet.making import text
from collector.sheet.rules import Event
from collector.sheet.state import OpenDowntime
from collector.sheet.step import Past, Step, past_of, since


def run(step: Step) -> bool:
    """Judge a moment while the sheet is on the reel; False while more must be known."""
    fall = _fall_on_reel(step)
    if fall is None:
        return False
    if not runs(step.rules, step.values):
        fall = Fall((), fall.lost, fall.tied)
    elif fall.lost is None:
        step.accept(fall)
        step.finish()
        return True
    kind, unwitnessed = _kind(step), _unwitnessed(step, fall)
    if kind is None or unwitnessed is None:
        return False
    step.end_what_was(fall)
    open_downtime(step, kind, fall, unwitnessed=unwitnessed)
    step.sheet.go(Event.LOST)
    step.take_in()
    step.finish()
    return True


def open_downtime(step: Step, kind: Kind, fall: Fall, *, unwitnessed: bool) -> None:
    """Open a downtime; its context is what held just before."""
    rules, sheet, at_ms, known = step.rules, step.sheet, step.at_ms, kind is not Kind.UNKNOWN
    located = fall.lost if known and kind is not Kind.STOP else None
    speed, rate = making.before_loss(sheet.making) if known else (None, None)
    before = step.values_before if known else {}
    sheet.downtime = OpenDowntime(_downtime_id(rules.machine, at_ms))
    step.facts.append(
        DowntimeOpened(
            machine=rules.machine,
            downtime_id=sheet.downtime.downtime_id,
            kind=kind,
            started_ms=at_ms,
            section=None if located is None else rules.detectors[located].section,
            location_tied=fall.tied and located is not None,
            start_uncertain=not known,
            unwitnessed=unwitnessed and located is not None,
            at_reel=located == step.count - 1,
            grade=text(before.get("grade")),
            shade=text(before.get("shade")),
            reel=text(before.get("reel")),
            speed_before_m_min=speed,
            rate_before_t_h=rate,
            on_reel_before_ms=_gone(sheet.on_reel_since_ms, at_ms) if known else None,
            since_turn_up_ms=_gone(sheet.turned_up_ms, at_ms) if known else None,
            since_grade_change_ms=_gone(sheet.grade_changed_ms, at_ms) if known else None,
        )
    )


def _downtime_id(machine: str, started_ms: int) -> str:
    """``<machine>-<start as YYYYMMDDTHHMMSSZ>``, the second cut off."""
    return f"{machine}-{datetime.fromtimestamp(started_ms // 1000, UTC):%Y%m%dT%H%M%SZ}"


def _gone(then_ms: int | None, at_ms: int) -> int | None:
    return None if then_ms is None else at_ms - then_ms


def _fall_on_reel(step: Step) -> Fall | None:
    if step.at_ms >= step.sheet.confirmed_until_ms:
        return step.judge(before=step.before, witness_counts=True)
    # The return was seen to last beyond this moment: nothing is lost, whatever stops seeing is blind.
    blind = foresight.blind_in_between(
        step.rules, step.before, step.after, step.values, step.moment, step.ahead, believed=step.sheet.reel_believed
    )
    return None if blind is None else Fall(blind, None)


def _in_the_shadow_of_a_gap(step: Step) -> bool:
    """Whether the sheet may have been lost while there was no data."""
    if step.moment.lightens:
        return True
    ended_ms = step.sheet.gap_ended_ms
    return ended_ms is not None and step.at_ms <= ended_ms + step.rules.debounce_ms


def _kind(step: Step) -> Kind | None:
    if _in_the_shadow_of_a_gap(step):
        return Kind.UNKNOWN
    past = _past(step)
    rose = step.sheet.planned_rose or step.planned_rises()
    if rose and any(planned for _, _, _, planned in past):
        return Kind.PLANNED
    stop = foresight.is_stop(step.rules, past, step.at_ms, step.ahead)
    if stop is None:
        return None
    return Kind.STOP if stop else Kind.BREAK


def _past(step: Step) -> list[Past]:
    """What held in the window before the loss, oldest first, and what holds at it."""
    return [*since(step.sheet.recent, step.at_ms - step.rules.trip_window_ms), past_of(step.at_ms, step.values)]


def _unwitnessed(step: Step, fall: Fall) -> bool | None:
    if fall.lost != step.count - 1 or fall.tied or _in_the_shadow_of_a_gap(step):
        return False
    if step.values.get("reel_witness") is not None:
        return False
    return foresight.is_alone(step.rules, step.after, step.at_ms, step.ahead)
