"""What people and other systems send beside the scans: crew notes, clothing changes, lab results, grade orders."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import msgspec
import numpy as np

from replay_data.simulator.downtime import utc_id
from replay_data.simulator.hazard import BACKGROUND
from replay_data.simulator.mishaps import Plan
from replay_data.simulator.record import REEL, DayRecord
from replay_data.simulator.rota import shift_at
from replay_data.simulator.upkeep import HOUR_MS

if TYPE_CHECKING:
    from numpy.random import Generator

    from replay_data.simulator.downtime import Downtime
    from replay_data.simulator.gateway import Sent

MINUTE_MS = 60_000
LAB_EVERY_MIN = 240
CODED = 0.75
"""Share of breaks that the crew codes; the rest stay open, as in honest logs (common practice, no source)."""
CERTAINTIES = ("suspected", "likely", "confirmed")
ORPHAN, WITHDRAWN = Plan(3, 15), Plan(4, 10)

REMARKS = {
    "PR-FLT": "Sheet wet off the last press, felt is tired.",
    "PR-DRW": "Draw looked long before it went.",
    "PR-PCK": "Sheet followed the centre roll.",
    "PR-CRS": "Wet sheet into the dryers.",
    "SA-BRK": "Broke share had just been put up.",
    "PD-STM": "Cold, wet band; siphon on the second group again?",
    "PD-HNG": "Strip hung on the frame and pulled the rest down.",
    "SP-FLD": "Pond ran over at the drive side.",
    "SP-MOI": "Came in too wet.",
    "IC-TRP": "Eye was dirty, sheet was there. Cleaned it.",
    "CH-SLM": "Slimy hole in the broken end.",
    "CA-CUT": "Diagonal cut out of the nip.",
    "RE-TUP": "Did not take on the new spool.",
    "GS-STU": "Not settled yet after the last one.",
    "GS-GRC": "In the middle of the change.",
    "ME-DRV": "Drive fault, electricians reset it.",
    "ME-PWR": "Dip on the grid.",
    "XX-UNK": "Nothing found.",
}
_encode = msgspec.json.encode
Said = dict[str, object]


def iso(ms: int) -> str:
    """A moment as RFC 3339 in UTC."""
    return datetime.fromtimestamp(ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


@dataclass(slots=True)
class Context:
    """What is told about one machine. Notes come when the crew finds time for them, so some wait for a later day.

    odd_notes
        Whether a note now and then names a downtime that never was, or is withdrawn.
    """

    machine: str
    root: str
    rng: Generator
    odd_notes: bool
    _waiting: list[Sent] = field(default_factory=list)
    _to_take_back: int = 0

    def day(self, day: DayRecord) -> list[Sent]:
        """The day's messages in order of receipt."""
        for at_ms, order in day.orders:
            grade = order.grade
            said: Said = {"order_id": order.order_id, "grade": grade.name, "shade": order.shade}
            said |= {"basis_weight": grade.basis_weight_g_m2, "tonnes": order.tonnes}
            self._say(at_ms, "order", said)
        for put in day.clothing:
            said = {"position": put.position, "installed": iso(put.installed_ms), "by": "mechanics"}
            self._say(put.told_ms, "clothing", said)
        for down in day.downtimes:
            self._code(down)
        self._lab(day)
        if self.odd_notes:
            self._odd_notes(day)
        self._waiting.sort(key=lambda sent: sent[0])
        due = [sent for sent in self._waiting if sent[0] < day.frame.end_ms]
        self._waiting = self._waiting[len(due) :]
        return due

    def _code(self, down: Downtime) -> None:
        """The crew's notes on one downtime, if it writes any; some think again later."""
        if down.kind == "planned" or down.unseen or self.rng.random() > CODED:
            return
        written_ms = down.back_ms + round(float(self.rng.lognormal(3.0, 0.9)) * MINUTE_MS)
        if self.rng.random() < 0.3:
            written_ms = min(written_ms, down.started_ms + round(float(self.rng.uniform(5, 15)) * MINUTE_MS))
        code = self._guess(down)
        self._note(written_ms, down.downtime_id, code)
        if code == "XX-PND" or self.rng.random() < 0.06:
            later_ms = written_ms + round(float(self.rng.uniform(2, 10)) * HOUR_MS)
            self._note(later_ms, down.downtime_id, down.cause)

    def _guess(self, down: Downtime) -> str:
        """What the crew takes for the cause: mostly right, sometimes a neighbour, often enough unknown."""
        others = [code for code, _ in BACKGROUND.get(down.section or "", (("ME-DRV", 1.0),))]
        roll = self.rng.random()
        if roll < 0.62:
            return down.cause
        if roll < 0.78:
            return others[int(self.rng.integers(len(others)))]
        return "XX-UNK" if roll < 0.95 else "XX-PND"

    def _note(self, at_ms: int, downtime_id: str, code: str, note_id: str = "") -> None:
        certainty = CERTAINTIES[int(self.rng.choice(3, p=[0.35, 0.4, 0.25]))]
        said: Said = {
            "note_id": note_id or self._uuid(),
            "downtime": downtime_id,
            "kind": "cause",
            "cause": code,
            "certainty": certainty,
        }
        if code in REMARKS and self.rng.random() < 0.6:
            said["comment"] = REMARKS[code]
        self._say(at_ms, "note", said | {"by": f"crew {shift_at(at_ms).crew}"})

    def _odd_notes(self, day: DayRecord) -> None:
        """A note on a downtime that never was, and one that is taken back, on the next day that has a break."""
        noon_ms = day.frame.start_ms + 12 * HOUR_MS
        if ORPHAN.on(day.number):
            self._note(noon_ms, f"{self.machine}-{utc_id(noon_ms - 7 * HOUR_MS)}", "PR-PCK")
        breaks = [down for down in day.downtimes if down.kind == "break" and not down.unseen]
        self._to_take_back += WITHDRAWN.on(day.number)
        if self._to_take_back and breaks:
            self._to_take_back -= 1
            note_id, at_ms = self._uuid(), breaks[0].back_ms + 5 * MINUTE_MS
            self._note(at_ms, breaks[0].downtime_id, "ME-PWR", note_id)
            taken_back_ms = at_ms + 4 * MINUTE_MS
            said: Said = {"note_id": self._uuid(), "kind": "withdrawal", "withdraws": note_id}
            self._say(taken_back_ms, "note", said | {"by": f"crew {shift_at(at_ms).crew}"})

    def _lab(self, day: DayRecord) -> None:
        """Samples from the machine every four hours, with results half an hour later."""
        frame, c = day.frame, day.frame.conditions()
        reel_changes = [change for change in day.changes if change.tag == REEL]
        for minute in range(10, 1440, LAB_EVERY_MIN):
            sampled_ms = frame.start_ms + minute * MINUTE_MS
            if np.isnan(frame.hazard_per_h[minute]):
                continue
            reel = [day.before[REEL], *(change.value for change in reel_changes if change.at_ms <= sampled_ms)][-1]
            results = (
                ("moisture", float(c.reel_moisture_pct[minute]), 0.1, 1, "%"),
                ("basis weight", float(c.grammage_g_m2[minute]), 0.2, 1, "g/m2"),
                ("ash", float(c.ash_pct[minute]), 0.2, 1, "%"),
                ("freeness", float(c.freeness[minute]), 4.0, 0, "mL"),
                ("starch solids", 10.0, 0.15, 1, "%"),
            )
            told_ms = sampled_ms + round(float(self.rng.uniform(20, 45)) * MINUTE_MS)
            for test, value, spread, decimals, unit in results:
                value = round(value + spread * float(self.rng.standard_normal()), decimals)
                said: Said = {"test": test, "value": value, "unit": unit, "sampled": iso(sampled_ms), "reel": reel}
                self._say(told_ms, "lab", said)

    def _uuid(self) -> str:
        return str(uuid.UUID(bytes=self.rng.bytes(16), version=4))

    def _say(self, at_ms: int, what: str, said: Said) -> None:
        received_ms = at_ms + int(self.rng.integers(100, 900))
        payload = _encode(said | {"ts": iso(at_ms)})
        self._waiting.append((received_ms, f"{self.root}/{self.machine}/{what}", payload))
