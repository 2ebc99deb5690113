"""The machine from event to event: runs until the sheet breaks or something falls due, and is brought back."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from replay_data.simulator import downtime as downtimes
from replay_data.simulator.broke import BrokeState
from replay_data.simulator.disturbance import Troubles, Wanderings
from replay_data.simulator.downtime import Downtime, Setting
from replay_data.simulator.frame import MINUTE_MS, Frame, Off, Tracks
from replay_data.simulator.geometry import EYES, SECTIONS
from replay_data.simulator.grades import IVORY, Order, orders
from replay_data.simulator.hazard import Hazard, background, cause_of
from replay_data.simulator.law import DemoLaw
from replay_data.simulator.record import GRADE, REEL, SHADE, SHEET_OFF, STOCK_ON, ClothingPut, DayRecord, Forced
from replay_data.simulator.rota import SKILL, dosing_habit, shift_at
from replay_data.simulator.tracks import Steps, Value
from replay_data.simulator.upkeep import DAY_MS, HOUR_MS, POSITIONS, Clothing, Job, JobKind, jobs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from replay_data.simulator.planted import Law

SETTLE_MS = 60_000
"""The sheet stays on the reel for at least this long: what is lost before that was a failed attempt. [ms]"""
THREADING_SPEED = 0.92
_STARCHED = ("after-dryer", "calender", "reel")


@dataclass(slots=True, kw_only=True)
class _Day:
    downtimes: list[Downtime] = field(default_factory=list)
    orders: list[tuple[int, Order]] = field(default_factory=list)
    clothing: list[ClothingPut] = field(default_factory=list)


class Machine:
    """One machine, simulated a day at a time.

    seed
        Same seed and name, same history; with more days the first ones stay the same.
    forced
        What a scenario adds, in order of time.
    law
        What makes the sheet break; None: what makes it break in the demo.
    """

    def __init__(self, name: str, *, seed: int, start_ms: int, forced: list[Forced], law: Law | None = None) -> None:
        """A machine that has been on the reel for three hours."""
        seeds = np.random.SeedSequence([seed, zlib.crc32(name.encode())]).spawn(4)
        wander, trouble, self._rng, plans = (np.random.default_rng(s) for s in seeds)
        self.name = name
        self._law: Law = law or DemoLaw()
        self._wanderings, self._troubles = Wanderings(wander), Troubles(trouble)
        self._orders: Iterator[Order] = orders(plans, start_ms, name)
        self._order, self._next_order = next(self._orders), next(self._orders)
        self._jobs: Iterator[Job] = jobs(plans.spawn(1)[0], start_ms)
        self._job = next(self._jobs)
        self._forced = list(forced)
        self._clothing = Clothing(start_ms)
        self._broke = BrokeState()
        self._owed_ms = 0
        self._now_ms, self._day_ms, self._number = start_ms, start_ms, 0
        self._restart_ms, self._changed_ms = start_ms - 3 * HOUR_MS, start_ms - DAY_MS
        self._patience = float(self._rng.exponential())
        self._tracks = Tracks.running(start_ms, self._order.grade)
        self._reel = 10_000 + int(self._rng.integers(80_000))
        self._steps = Steps(self._first_values())
        self._turn_up_ms = start_ms + round(0.6 * self._jumbo_ms())
        self._off: Off | None = None
        self._day = _Day()
        self._frame: Frame

    def day(self) -> DayRecord:
        """Simulate the next day."""
        before, broke_before = dict(self._steps.now), self._broke
        self._open_day()
        if self._now_ms > self._day_ms:
            self._fill(min(self._now_ms, self._frame.end_ms))
        while self._now_ms < self._frame.end_ms:
            self._off = None
            self._on()
        frame, day = self._frame, self._day
        record = DayRecord(
            machine=self.name,
            number=self._number,
            frame=frame,
            tracks=self._tracks,
            before=before,
            changes=self._steps.take_until(frame.end_ms),
            downtimes=day.downtimes,
            orders=day.orders,
            clothing=day.clothing,
            balance=frame.balance(broke_before),
        )
        self._broke, self._owed_ms = frame.broke, frame.owed_ms
        self._day_ms, self._number = frame.end_ms, self._number + 1
        return record

    @property
    def day_ms(self) -> int:
        """When the next day begins. [ms]"""
        return self._day_ms

    def signals(self) -> dict[str, Value]:
        """What the signals that are sent on change are now."""
        return dict(self._steps.now)

    # ---- the day

    def _open_day(self) -> None:
        self._tracks.forget_before(self._day_ms)
        self._day = _Day()
        if self._number == 0:
            self._day.orders.append((self._day_ms, self._order))
            self._day.clothing += [
                ClothingPut(position=p.name, installed_ms=self._clothing.installed_ms[p.name], told_ms=self._day_ms)
                for p in POSITIONS
            ]
        self._frame = Frame(
            start_ms=self._day_ms,
            number=self._number,
            wander=self._wanderings.day(),
            trouble=self._troubles.day(),
            habit=dosing_habit(self._day_ms),
            broke=self._broke,
            owed_ms=self._owed_ms,
        )

    def _on(self) -> None:
        """From now to what comes first: a break, or what falls due."""
        due_ms, happening = self._due()
        if self._break_before(due_ms):
            return
        self._now_ms = due_ms
        match happening:
            case Order():
                self._change_grade(due_ms)
                self._new_speed(due_ms + 30_000, 720.0)
            case Job():
                self._job = next(self._jobs)
                self._take_off(happening)
            case Forced():
                self._force(self._forced.pop(0))
            case "turn-up":
                self._turn_up(missed=self._rng.random() < self._order.grade.turn_up_failure)
            case _:
                pass

    def _due(self) -> tuple[int, Order | Job | Forced | str]:
        """What falls due next, and when; what fell due while the sheet was off waits two minutes more."""
        soonest = max(self._now_ms, self._restart_ms + 2 * SETTLE_MS)
        candidates: list[tuple[int, Order | Job | Forced | str]] = [
            (self._frame.end_ms, "midnight"),
            (max(self._turn_up_ms, soonest), "turn-up"),
            (max(self._next_order.due_ms, soonest), self._next_order),
            (max(self._job.due_ms, soonest), self._job),
        ]
        if self._forced:
            candidates.append((max(self._forced[0].at_ms, soonest), self._forced[0]))
        return min(candidates, key=lambda candidate: candidate[0])

    def _fill(self, to_ms: int) -> None:
        self._frame.fill(
            to_ms,
            tracks=self._tracks,
            clothing=self._clothing,
            restart_ms=self._restart_ms,
            changed_ms=self._changed_ms,
            off=self._off,
        )

    def _break_before(self, to_ms: int) -> bool:
        """Run until ``to_ms``; true if the sheet broke on the way."""
        frame, mark = self._frame, self._frame.mark()
        self._fill(to_ms)
        first, last = frame.minute(self._now_ms), frame.minutes_before(to_ms)
        if last <= first:
            return False
        rates = self._law.rates(frame, first, last, self._order.grade)
        begin_ms = frame.start_ms + MINUTE_MS * np.arange(first, last)
        from_ms = np.maximum(begin_ms, max(self._now_ms, self._restart_ms + SETTLE_MS))
        minutes = np.maximum(0, np.minimum(begin_ms + MINUTE_MS, to_ms) - from_ms) / MINUTE_MS
        spent = np.cumsum(rates.total * minutes)
        if spent[-1] < self._patience:
            self._patience -= float(spent[-1])
            frame.hazard_per_h[first:last] = 60 * rates.total
            return False
        k = int(np.searchsorted(spent, self._patience))
        left = self._patience - (float(spent[k - 1]) if k else 0.0)
        at_ms = int(from_ms[k]) + round(left / float(rates.total[k]) * MINUTE_MS)
        frame.hazard_per_h[first : first + k + 1] = 60 * rates.total[: k + 1]
        frame.back_to(mark)
        self._fill(at_ms)
        self._broken(at_ms, rates, k)
        return True

    # ---- what happens

    def _broken(self, at_ms: int, rates: Hazard, minute: int) -> None:
        shares = rates.by_section[:, minute]
        section = SECTIONS[int(self._rng.choice(len(SECTIONS), p=shares / shares.sum()))]
        cause = cause_of(self._rng, rates, section, minute)
        self._troubles.put_right(self._frame.minute(at_ms))
        self._lost(downtimes.broken(self._rng, self._setting(at_ms), where=section, cause=cause))

    def _turn_up(self, *, missed: bool) -> None:
        """The sheet goes over to an empty spool, or is lost there within seconds."""
        at_ms = self._now_ms
        self._new_reel(at_ms)
        if missed:
            lost_ms = at_ms + round(1000 * float(self._rng.uniform(0.8, 12.0)))
            self._lost(downtimes.broken(self._rng, self._setting(lost_ms), where="turn-up", cause="RE-TUP"))

    def _force(self, wanted: Forced) -> None:
        match wanted.kind:
            case "turn-up":
                self._turn_up(missed=True)
                down = self._day.downtimes[-1]
            case "trip":
                down = self._trip()
            case "sheet-off":
                first_eye = SECTIONS.index(wanted.where)
                self._take_off(
                    Job(
                        kind=JobKind.SHEET_OFF,
                        due_ms=self._now_ms,
                        lasts_s=wanted.lasts_s,
                        first_eye=first_eye,
                        what="Small job",
                    )
                )
                down = self._day.downtimes[-1]
            case _:
                setting, cause = self._setting(self._now_ms), background(self._rng, wanted.where)
                down = downtimes.broken(self._rng, setting, where=wanted.where, cause=cause, least_s=wanted.lasts_s)
                self._lost(down)
        down.forced = True

    def _trip(self) -> Downtime:
        """Drives trip, the machine stands within a minute, stock is shut off."""
        tracks, at_ms = self._tracks, self._now_ms
        stop_s = float(self._rng.uniform(40.0, 60.0))
        here = self._setting(at_ms + round(1000 * float(self._rng.uniform(0.5, 1.5))))
        down = downtimes.tripped(self._rng, here, stop_s=stop_s)
        tracks.speed.ramp(at_ms, at_ms + round(1000 * stop_s), 0.0)
        tracks.steam.ramp(at_ms + 30_000, at_ms + 240_000, 0.3)
        self._stock(at_ms + 20_000, on=False)
        self._up_again(down, lead_s=420.0)
        self._lost(down)
        return down

    def _take_off(self, job: Job) -> None:
        """The crew takes the sheet off, having said so, and shuts stock and drives off if the job needs it."""
        at_ms, tracks = self._now_ms, self._tracks
        down = downtimes.planned(self._rng, self._setting(at_ms), job)
        lead_ms = round(1000 * float(self._rng.uniform(20.0, 180.0)))
        said_ms = max(at_ms - lead_ms, self._restart_ms + SETTLE_MS, self._frame.start_ms)
        self._steps.add(said_ms, SHEET_OFF, True, by_hand=True)
        self._steps.add(down.first_rise_ms - 20_000, SHEET_OFF, False, by_hand=True)
        if job.kind is not JobKind.SHEET_OFF:
            self._stock(at_ms + 90_000, on=False)
            tracks.steam.ramp(at_ms + 60_000, at_ms + 900_000, 0.1)
            tracks.speed.ramp(at_ms + 120_000, at_ms + 420_000, 0.0 if job.kind is JobKind.SHUT else 250.0)
            self._up_again(down, lead_s=900.0)
        self._lost(down)
        self._renew(job, down.first_rise_ms - HOUR_MS // 2)

    def _renew(self, job: Job, at_ms: int) -> None:
        if job.kind is JobKind.WASH:
            self._clothing.wash(at_ms)
        if job.kind is JobKind.SHUT:
            for position in self._clothing.shut(at_ms):
                put = ClothingPut(position=position, installed_ms=at_ms - HOUR_MS, told_ms=at_ms)
                self._day.clothing.append(put)

    def _up_again(self, down: Downtime, *, lead_s: float) -> None:
        """Steam, drives and stock come back before threading begins."""
        ready_ms = down.first_rise_ms - round(1000 * lead_s)
        self._tracks.steam.ramp(ready_ms, down.first_rise_ms, 1.0)
        self._tracks.speed.ramp(ready_ms, ready_ms + round(500 * lead_s), self._threading_speed())
        self._stock(ready_ms + round(600 * lead_s), on=True)

    def _lost(self, down: Downtime) -> None:
        """Book the downtime and go on from where the sheet is back on the reel."""
        down.grade, down.shade = self._order.grade.name, self._order.shade
        since_back_ms = down.started_ms - self._restart_ms
        down.secondary = down.kind == "break" and since_back_ms < 30 * MINUTE_MS
        self._slow_down(down)
        self._steps.coming += down.changes
        self._fill(down.started_ms)
        self._frame.lost_at(down.started_ms)
        self._off = Off(from_ms=down.started_ms, to_ms=down.back_ms, starched=down.section in _STARCHED)
        self._day.downtimes.append(down)
        while self._next_order.due_ms < down.back_ms - 5 * MINUTE_MS:
            self._change_grade(max(self._next_order.due_ms, down.started_ms + 2 * MINUTE_MS))
        self._new_speed(down.back_ms + 45_000, float(self._rng.uniform(240.0, 480.0)))
        self._fill(min(down.back_ms, self._frame.end_ms))
        self._new_reel(down.back_ms)
        self._now_ms = self._restart_ms = down.back_ms
        self._patience = float(self._rng.exponential())

    def _slow_down(self, down: Downtime) -> None:
        """After a break the wet end is often slowed for threading, and steam cut back where the dryers are empty."""
        if down.kind != "break":
            return
        speed, steam = self._tracks.speed, self._tracks.steam
        speed.cut(down.started_ms)
        if down.kept <= 2:
            empty_ms = down.started_ms + 60_000
            full_ms = max(down.first_rise_ms - 60_000, empty_ms + 120_000)
            steam.ramp(empty_ms, empty_ms + 120_000, 0.6)
            steam.ramp(full_ms, full_ms + 180_000, 1.0)
            if self._rng.random() < 0.7:
                speed.ramp(down.started_ms + 40_000, down.started_ms + 75_000, self._threading_speed())

    def _change_grade(self, at_ms: int) -> None:
        self._order, self._next_order = self._next_order, next(self._orders)
        grade, tracks = self._order.grade, self._tracks
        self._steps.add(at_ms, GRADE, grade.name)
        if tracks.tint.at(at_ms) != float(self._order.shade == IVORY):
            self._steps.add(at_ms, SHADE, self._order.shade)
            tracks.tint.ramp(at_ms, at_ms + 1, float(self._order.shade == IVORY))
        tracks.grammage.ramp(at_ms, at_ms + 10 * MINUTE_MS, grade.basis_weight_g_m2)
        self._changed_ms = at_ms
        self._day.orders.append((at_ms, self._order))

    # ---- small things

    def _setting(self, at_ms: int) -> Setting:
        crew = shift_at(at_ms).crew
        return Setting(
            machine=self.name,
            at_ms=at_ms,
            speed_m_min=self._tracks.speed.at(at_ms),
            threading_m_min=self._threading_speed(),
            crew=crew,
            skill=SKILL[crew],
        )

    def _threading_speed(self) -> float:
        return THREADING_SPEED * self._order.grade.speed_m_min

    def _new_speed(self, from_ms: int, lasts_s: float) -> None:
        self._tracks.speed.ramp(from_ms, from_ms + round(1000 * lasts_s), self._order.grade.speed_m_min)

    def _stock(self, at_ms: int, *, on: bool) -> None:
        self._steps.add(at_ms, STOCK_ON, on)
        self._tracks.stock.ramp(at_ms, at_ms + 20_000, float(on))

    def _new_reel(self, at_ms: int) -> None:
        self._reel += 1
        self._steps.add(at_ms, REEL, str(self._reel))
        self._turn_up_ms = at_ms + round(self._jumbo_ms() * float(self._rng.uniform(0.97, 1.03)))

    def _jumbo_ms(self) -> float:
        return self._order.grade.jumbo_min * MINUTE_MS

    def _first_values(self) -> dict[str, Value]:
        eyes: dict[str, Value] = {eye.tag: True for eye in EYES}
        order = self._order
        return eyes | {
            STOCK_ON: True,
            SHEET_OFF: False,
            GRADE: order.grade.name,
            SHADE: order.shade,
            REEL: str(self._reel),
        }
