"""Walks through the moments in order, each judged once with what must be known of the time after it."""

from __future__ import annotations

from datetime import UTC, datetime

from collector.fact import (
    AttemptClosed,
    AttemptOpened,
    DowntimeClosed,
    DowntimeOpened,
    EndBecameUncertain,
    Fact,
    Fault,
    FaultClosed,
    FaultOpened,
    GradeRunStarted,
    Kind,
    Outcome,
    ReelStarted,
    State,
    StateChanged,
)
from collector.message import Value
from collector.sheet import foresight, making
from collector.sheet.eyes import before_as_trusted, look, reach, runs
from collector.sheet.foresight import Ahead, Fall
from collector.sheet.making import text
from collector.sheet.rules import TRANSITIONS, Event, Phase, Rules
from collector.sheet.state import Eyes, Moment, OpenDowntime, Sheet


def walk(rules: Rules, sheet: Sheet, facts: list[Fact], *, hasty: bool = False) -> None:
    """Judge as many of the moments ahead as can be judged, then let the time pass that is known to have passed."""
    done = 0
    while done < len(sheet.ahead):
        known_ms = sheet.known_until_ms if sheet.known_until_ms is not None else sheet.ahead[done].at_ms
        if not _Step(rules, sheet, sheet.ahead[done], Ahead(sheet.ahead, done + 1, known_ms, hasty), facts).take():
            break
        done += 1
    del sheet.ahead[:done]
    until_ms = sheet.ahead[0].at_ms - 1 if sheet.ahead else sheet.known_until_ms
    if until_ms is not None:
        pass_time(rules, sheet, until_ms, facts)


def downtime_id(machine: str, started_ms: int) -> str:
    """``<machine>-<start as YYYYMMDDTHHMMSSZ>``, the second cut off."""
    return f"{machine}-{datetime.fromtimestamp(started_ms // 1000, UTC):%Y%m%dT%H%M%SZ}"


def pass_time(rules: Rules, sheet: Sheet, until_ms: int, facts: list[Fact], *, moment_follows: bool = False) -> None:
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
            _hold(rules, sheet, downtime, held_ms, facts)
            if not (sheet.dark or (moment_follows and held_ms == until_ms)):
                _tell_state(rules, sheet, held_ms, facts)
        elif number not in downtime.reported_stuck:
            downtime.reported_stuck.add(number)
            since_ms = downtime.stuck[number][0]
            tag = rules.detectors[number].tag
            facts.append(FaultOpened(machine=rules.machine, tag=tag, kind=Fault.STUCK, at_ms=since_ms))


def _hold(rules: Rules, sheet: Sheet, downtime: OpenDowntime, at_ms: int, facts: list[Fact]) -> None:
    frontier = reach(rules, sheet.eyes, sheet.values)
    _close_attempt(rules, sheet, downtime, at_ms, frontier, Outcome.HELD, facts)
    _go(sheet, Event.STOOD_STILL)


def _go(sheet: Sheet, event: Event) -> None:
    sheet.phase = TRANSITIONS[(sheet.phase, event)]


def _close_attempt(
    rules: Rules, sheet: Sheet, downtime: OpenDowntime, at_ms: int, frontier: int, outcome: Outcome, facts: list[Fact]
) -> None:
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


def state_now(rules: Rules, sheet: Sheet) -> State:
    """The first state that applies."""
    if sheet.phase is Phase.UNSEEN:
        return State.NO_DATA
    if not runs(rules, sheet.values):
        return State.STOPPED
    if sheet.values.get("stock_on") is False:
        return State.STOCK_OFF
    return {Phase.ON_REEL: State.ON_REEL, Phase.THREADING: State.THREADING}.get(sheet.phase, State.DOWN)


def _tell_state(rules: Rules, sheet: Sheet, at_ms: int, facts: list[Fact]) -> None:
    state = state_now(rules, sheet)
    if state is sheet.state:
        return
    if sheet.state is State.ON_REEL:
        making.end(rules, sheet.making, sheet.values, facts)
    if state is State.ON_REEL:
        making.begin(sheet.making, at_ms)
    sheet.state = state
    facts.append(StateChanged(machine=rules.machine, state=state, at_ms=at_ms))


class _Step:
    """One moment: first everything that must be known is asked, and only when all is answered is anything changed."""

    def __init__(self, rules: Rules, sheet: Sheet, moment: Moment, ahead: Ahead, facts: list[Fact]) -> None:
        self.rules, self.sheet, self.moment, self.ahead, self.facts = rules, sheet, moment, ahead, facts
        self.at_ms = moment.at_ms
        self.count = len(sheet.eyes.sees)
        self.before, self.values_before = sheet.eyes, sheet.values
        self.after, self.values = look(rules, sheet.eyes, sheet.values, moment)

    def take(self) -> bool:
        """Judge the moment; False while more must be known."""
        pass_time(self.rules, self.sheet, self.at_ms, self.facts, moment_follows=not self.sheet.dark)
        if self.moment.darkens:
            return self._turn_dark()
        if self.sheet.dark and not self.moment.lightens:
            return self._grope()
        match self.sheet.phase:
            case Phase.UNSEEN:
                return self._start()
            case Phase.ON_REEL:
                return self._run()
            case Phase.DOWN | Phase.THREADING:
                return self._bring_back()

    # --- before anything is known -------------------------------------------------------------------------------

    def _start(self) -> bool:
        if self.values.get("speed") is None or self.after.sees[-1] is None:
            self._accept()
            self._say_state(State.NO_DATA, self.at_ms)
            return True
        nobody = Eyes([None] * self.count, [False] * self.count, [False] * self.count)
        fall = self._judge(before=nobody, witness_counts=True)
        if fall is None:
            return False
        self._accept(fall)
        self.sheet.planned_rose = self._planned_rises()
        if fall.lost is None and runs(self.rules, self.values):
            _go(self.sheet, Event.FOUND_ON_REEL)
        else:
            _go(self.sheet, Event.FOUND_DOWN)
            self._open(Kind.UNKNOWN, Fall((), None), unwitnessed=False)
        self._finish()
        return True

    # --- in the dark --------------------------------------------------------------------------------------------

    def _turn_dark(self) -> bool:
        """From here on nothing is known: the clock of an open downtime becomes uncertain."""
        sheet = self.sheet
        making.go_on(self.rules, sheet.making, self.values, self.at_ms, self.facts)
        self._say_state(State.NO_DATA, self.at_ms)
        sheet.dark, sheet.recent, sheet.on_reel_since_ms = True, [], None
        if sheet.downtime is not None:
            self._forget_stuck(sheet.downtime)
            if not sheet.downtime.end_uncertain:
                sheet.downtime.end_uncertain = True
                self.facts.append(
                    EndBecameUncertain(machine=self.rules.machine, downtime_id=sheet.downtime.downtime_id)
                )
        return True

    def _grope(self) -> bool:
        """In the dark only reel, grade, shade and planned are taken in."""
        self._change_run()
        self.sheet.planned_rose = self.sheet.planned_rose or self._planned_rises()
        self.sheet.values = self.values
        return True

    # --- while the sheet is on the reel -------------------------------------------------------------------------

    def _run(self) -> bool:
        fall = self._fall_on_reel()
        if fall is None:
            return False
        if not runs(self.rules, self.values):
            fall = Fall((), fall.lost, fall.tied)
        elif fall.lost is None:
            self._accept(fall)
            self._finish()
            return True
        kind, unwitnessed = self._kind(), self._unwitnessed(fall)
        if kind is None or unwitnessed is None:
            return False
        self._accept(fall, just_lost=(kind, fall, unwitnessed))
        self._finish()
        return True

    def _fall_on_reel(self) -> Fall | None:
        if self.at_ms >= self.sheet.confirmed_until_ms:
            return self._judge(before=self.before, witness_counts=True)
        # The return was seen to last beyond this moment: nothing is lost, whatever stops seeing is blind.
        blind = foresight.blind_in_between(
            self.rules,
            self.before,
            self.after,
            self.values,
            self.moment,
            self.ahead,
            believed=self.sheet.reel_believed,
        )
        return None if blind is None else Fall(blind, None)

    def _judge(self, *, before: Eyes, witness_counts: bool) -> Fall | None:
        return foresight.judge_fall(
            self.rules, before, self.after, self.values, self.at_ms, self.ahead, witness_counts=witness_counts
        )

    def _in_the_shadow_of_a_gap(self) -> bool:
        """Whether the sheet may have been lost while there was no data."""
        if self.moment.lightens:
            return True
        ended_ms = self.sheet.gap_ended_ms
        return ended_ms is not None and self.at_ms <= ended_ms + self.rules.debounce_ms

    def _kind(self) -> Kind | None:
        if self._in_the_shadow_of_a_gap():
            return Kind.UNKNOWN
        past = self._past()
        rose = self.sheet.planned_rose or self._planned_rises()
        if rose and any(planned for _, _, _, planned in past):
            return Kind.PLANNED
        stop = foresight.is_stop(self.rules, past, self.at_ms, self.ahead)
        if stop is None:
            return None
        return Kind.STOP if stop else Kind.BREAK

    def _past(self) -> list[_Past]:
        """What held in the window before the loss, oldest first, and what holds at it."""
        now = _past_of(self.at_ms, self.values)
        return [*_prune(self.sheet.recent, self.at_ms - self.rules.trip_window_ms), now]

    def _unwitnessed(self, fall: Fall) -> bool | None:
        if fall.lost != self.count - 1 or fall.tied or self._in_the_shadow_of_a_gap():
            return False
        if self.values.get("reel_witness") is not None:
            return False
        return foresight.is_alone(self.rules, self.after, self.at_ms, self.ahead)

    # --- while it is off ----------------------------------------------------------------------------------------

    def _bring_back(self) -> bool:
        if not self._let_the_reel_speak():
            return False
        torn = self._torn_at_the_reel()
        if torn is None:
            return False
        trusted_before = before_as_trusted(self.before, self.after)
        frontier_before = self.count if torn else reach(self.rules, trusted_before, self.values_before)
        frontier = reach(self.rules, self.after, self.values)
        back = False
        if frontier == self.count and self._just_reached():
            stays = foresight.stays_on_reel(
                self.rules, self.after, self.values, self.at_ms, self.ahead, believed=self._reel_believed()
            )
            if stays is None:
                return False
            back = stays
        self._accept()
        self._move(frontier_before, frontier, back=back)
        self._finish()
        return True

    def _let_the_reel_speak(self) -> bool:
        """The last detector, once it has risen and sees on, shows one upstream to be blind; False: not known yet."""
        if (self.after is self.before and not self.moment.lightens) or not self._reel_believed():
            return True
        shown = foresight.blind_while_down(self.rules, self.after, self.at_ms, self.ahead)
        if shown is not None and shown[0]:
            self._set_blind(shown[1])
        return shown is not None

    def _reel_believed(self) -> bool:
        """Whether the last detector has risen in this downtime, sees since, and was not found stuck."""
        last, downtime = self.count - 1, self._downtime()
        rose = self.before.trusted(last) and self.before.sees[last] is False
        sees = self.after.trusted(last) and self.after.sees[last] is True
        return sees and (rose or downtime.reel_rose) and last not in downtime.reported_stuck

    def _set_blind(self, number: int) -> None:
        if self.after is self.before:
            self.after = self.before.copy()
        self.after.blind[number] = True

    def _torn_at_the_reel(self) -> bool | None:
        """Whether a sheet that was at the reel, not yet confirmed, is lost: a detector can go blind there as ever."""
        if reach(self.rules, self.before, self.values_before) < self.count or not runs(self.rules, self.values):
            return False
        fall = self._judge(before=self.before, witness_counts=False)
        if fall is None:
            return None
        for number in fall.blind:
            self._set_blind(number)
        return fall.lost is not None

    def _just_reached(self) -> bool:
        return self.moment.lightens or reach(self.rules, self.before, self.values_before) < self.count

    def _move(self, frontier_before: int, frontier: int, *, back: bool) -> None:
        sheet, downtime = self.sheet, self._downtime()
        if frontier < frontier_before:
            if sheet.phase is Phase.THREADING:
                self._close(frontier_before, Outcome.FAILED)
            _go(sheet, Event.FELL)
        elif frontier > frontier_before:
            self._open_attempt()
            downtime.risen_ms = self.at_ms
        elif sheet.phase is Phase.THREADING and frontier < self.count:
            self._hold_what_stood_at_the_reel(downtime)
        last_sees = self.after.sees[-1] is True and self.after.trusted(self.count - 1)
        rose = self.before.sees[-1] is False and self.before.trusted(self.count - 1)
        downtime.reel_rose = last_sees and (downtime.reel_rose or rose)
        if back:
            self._open_attempt()
            self._close(self.count, Outcome.SUCCESS)
            _go(sheet, Event.BACK)
            self._back_on_reel(downtime)

    def _hold_what_stood_at_the_reel(self, downtime: OpenDowntime) -> None:
        """The frontier left n by a change of trust, long after its last rise: the attempt is held from now."""
        if downtime.risen_ms + self.rules.attempt_pause_ms <= self.at_ms:
            _hold(self.rules, self.sheet, downtime, self.at_ms, self.facts)

    def _downtime(self) -> OpenDowntime:
        if self.sheet.downtime is None:
            raise AssertionError(f"{self.sheet.phase} without a downtime")
        return self.sheet.downtime

    def _open_attempt(self) -> None:
        downtime = self._downtime()
        if self.sheet.phase is Phase.DOWN:
            downtime.attempts += 1
            self.facts.append(
                AttemptOpened(
                    machine=self.rules.machine,
                    downtime_id=downtime.downtime_id,
                    attempt=downtime.attempts,
                    started_ms=self.at_ms,
                )
            )
        _go(self.sheet, Event.ROSE)

    def _close(self, frontier: int, outcome: Outcome) -> None:
        _close_attempt(self.rules, self.sheet, self._downtime(), self.at_ms, frontier, outcome, self.facts)

    def _back_on_reel(self, downtime: OpenDowntime) -> None:
        self._forget_stuck(downtime)
        self.facts.append(
            DowntimeClosed(machine=self.rules.machine, downtime_id=downtime.downtime_id, ended_ms=self.at_ms)
        )
        sheet = self.sheet
        sheet.confirmed_until_ms = self.at_ms + self.rules.on_reel_confirm_ms
        sheet.reel_believed = downtime.reel_rose
        sheet.downtime, sheet.on_reel_since_ms, sheet.gap_ended_ms = None, self.at_ms, None
        sheet.planned_rose = self._planned_rises()

    # --- what every moment brings -------------------------------------------------------------------------------

    def _accept(self, fall: Fall | None = None, just_lost: tuple[Kind, Fall, bool] | None = None) -> None:
        """Let the moment hold: all has been asked."""
        sheet = self.sheet
        for number in fall.blind if fall is not None else ():
            self._set_blind(number)
        making.go_on(self.rules, sheet.making, self.values_before, self.at_ms, self.facts)
        if just_lost is not None:
            kind, found, unwitnessed = just_lost
            self._open(kind, found, unwitnessed=unwitnessed)
            _go(sheet, Event.LOST)
        if self.moment.lightens:
            sheet.dark, sheet.gap_ended_ms = False, self.at_ms
        self._change_run()
        sheet.planned_rose = sheet.planned_rose or self._planned_rises()
        self._tell_blindness()
        past = _past_of(self.at_ms, self.values)
        if not sheet.recent or sheet.recent[-1][1:] != past[1:]:
            sheet.recent = [*_prune(sheet.recent, self.at_ms - self.rules.trip_window_ms), past]
        sheet.eyes, sheet.values = self.after, self.values

    def _finish(self) -> None:
        self._watch_stuck()
        _tell_state(self.rules, self.sheet, self.at_ms, self.facts)

    def _say_state(self, state: State, at_ms: int) -> None:
        sheet = self.sheet
        if sheet.state is State.ON_REEL:
            making.end(self.rules, sheet.making, self.values_before, self.facts)
        if sheet.state is not state:
            sheet.state = state
            self.facts.append(StateChanged(machine=self.rules.machine, state=state, at_ms=at_ms))

    def _change_run(self) -> None:
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
            first = all(self.values_before.get(role) is None for role in changed)
            self.facts.append(
                GradeRunStarted(
                    machine=self.rules.machine,
                    grade=text(self.values.get("grade")),
                    shade=text(self.values.get("shade")),
                    at_ms=at_ms,
                    first_seen=first,
                )
            )
            if not first:
                sheet.grade_changed_ms = at_ms
                making.new_grade_run(sheet.making)

    def _planned_rises(self) -> bool:
        return self.values_before.get("planned") is False and self.values.get("planned") is True

    def _tell_blindness(self) -> None:
        if self.after is self.before:
            return
        for number in range(self.count):
            if self.after.blind[number] and not self.before.blind[number]:
                tag = self.rules.detectors[number].tag
                self.facts.append(FaultOpened(machine=self.rules.machine, tag=tag, kind=Fault.BLIND, at_ms=self.at_ms))
            elif self.before.blind[number] and not self.after.blind[number]:
                self._fault_over(number, Fault.BLIND)

    def _fault_over(self, number: int, kind: Fault) -> None:
        tag = self.rules.detectors[number].tag
        self.facts.append(FaultClosed(machine=self.rules.machine, tag=tag, kind=kind, at_ms=self.at_ms))

    def _watch_stuck(self) -> None:
        downtime = self.sheet.downtime
        if downtime is None:
            return
        running = runs(self.rules, self.values)
        for number in range(1, self.count):
            upstream = self._seeing_alone(number) if running else None
            if upstream is None:
                downtime.stuck.pop(number, None)
                if number in downtime.reported_stuck:
                    downtime.reported_stuck.discard(number)
                    self._fault_over(number, Fault.STUCK)
            elif number not in downtime.stuck:
                speed = self.values.get("speed")
                passing_ms = self.rules.transport_ms(upstream, number, speed if isinstance(speed, float) else None)
                overdue_ms = self.at_ms + passing_ms + self.rules.blind_margin_ms + 1
                downtime.stuck[number] = (self.at_ms, overdue_ms)

    def _forget_stuck(self, downtime: OpenDowntime) -> None:
        """Whatever was stuck is judged anew, if at all."""
        for number in sorted(downtime.reported_stuck):
            self._fault_over(number, Fault.STUCK)
        downtime.stuck, downtime.reported_stuck = {}, set()

    def _seeing_alone(self, number: int) -> int | None:
        """The nearest trusted detector upstream if this one sees while both its neighbours do not; else None."""
        eyes = self.after
        if not eyes.trusted(number) or not eyes.sees[number]:
            return None
        upstream = next((other for other in range(number - 1, -1, -1) if eyes.trusted(other)), None)
        downstream = next((other for other in range(number + 1, self.count) if eyes.trusted(other)), None)
        if upstream is None or eyes.sees[upstream] or (downstream is not None and eyes.sees[downstream]):
            return None
        return upstream

    def _open(self, kind: Kind, fall: Fall, *, unwitnessed: bool) -> None:
        """Open a downtime; its context is what held just before."""
        sheet, at_ms, known = self.sheet, self.at_ms, kind is not Kind.UNKNOWN
        located = fall.lost if known and kind is not Kind.STOP else None
        speed, rate = making.before_loss(sheet.making) if known else (None, None)
        before = self.values_before if known else {}
        sheet.downtime = OpenDowntime(downtime_id(self.rules.machine, at_ms))
        self.facts.append(
            DowntimeOpened(
                machine=self.rules.machine,
                downtime_id=sheet.downtime.downtime_id,
                kind=kind,
                started_ms=at_ms,
                section=None if located is None else self.rules.detectors[located].section,
                location_tied=fall.tied and located is not None,
                start_uncertain=not known,
                unwitnessed=unwitnessed and located is not None,
                at_reel=located == self.count - 1,
                grade=text(before.get("grade")),
                shade=text(before.get("shade")),
                reel=text(before.get("reel")),
                speed_before_m_min=speed,
                rate_before_t_h=rate,
                on_reel_before_ms=_since(sheet.on_reel_since_ms, at_ms) if known else None,
                since_turn_up_ms=_since(sheet.turned_up_ms, at_ms) if known else None,
                since_grade_change_ms=_since(sheet.grade_changed_ms, at_ms) if known else None,
            )
        )


def _since(then_ms: int | None, at_ms: int) -> int | None:
    return None if then_ms is None else at_ms - then_ms


_Past = tuple[int, float | None, bool | None, bool | None]


def _past_of(at_ms: int, values: dict[str, Value]) -> _Past:
    speed, stock, planned = values.get("speed"), values.get("stock_on"), values.get("planned")
    return (
        at_ms,
        speed if isinstance(speed, float) else None,
        stock if isinstance(stock, bool) else None,
        planned if isinstance(planned, bool) else None,
    )


def _prune(recent: list[_Past], from_ms: int) -> list[_Past]:
    """What is newer than ``from_ms``, and the one before it that still held then."""
    first = 0
    while first + 1 < len(recent) and recent[first + 1][0] <= from_ms:
        first += 1
    return recent[first:]
