"""One machine with all that reports on it: instruments, gateway, crew, laboratory, and what goes wrong with them."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from replay_data.simulator.context import Context
from replay_data.simulator.gateway import Gateway, Sent
from replay_data.simulator.law import DemoLaw
from replay_data.simulator.machine import Machine
from replay_data.simulator.mishaps import Mishaps, Plan, Spoilt
from replay_data.simulator.planted import Account
from replay_data.simulator.record import DayRecord, Forced
from replay_data.simulator.tags import NAMES, Instruments
from replay_data.simulator.truth import TruthRow, rows_of

ROOT = "ellerholm"


class Readable(Protocol):
    """Instruments that can be read for a day."""

    def read(self, day: DayRecord) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Times of the day's scans [ms] and what they show: a row a scan."""


@dataclass(slots=True, kw_only=True)
class Line:
    """A machine and its reporters. ``end_ms``: where the stream ends; the truth is cut off there. [ms]"""

    machine: Machine
    instruments: Readable
    gateway: Gateway
    context: Context
    mishaps: Mishaps | None
    account: Account
    end_ms: int

    @classmethod
    def of(
        cls,
        name: str,
        *,
        seed: int,
        start_ms: int,
        end_ms: int,
        forced: list[Forced],
        plans: Mapping[str, Plan] | None,
        tags: tuple[str, ...] = NAMES,
    ) -> Self:
        """A machine by the name ``name``.

        forced
            What happens to it whatever its hazards.
        plans
            On which days what goes wrong with the messages; None: nothing does, and no note is odd.
        tags
            Which instruments are sent.
        """
        seeds = np.random.SeedSequence([seed, zlib.crc32(name.encode()), 1]).spawn(5)
        noise, gateway, context, spoiling, flows = (np.random.default_rng(s) for s in seeds)
        law = DemoLaw()
        machine = Machine(name, seed=seed, start_ms=start_ms, forced=forced, law=law)
        return cls(
            machine=machine,
            instruments=Instruments(noise, flows),
            gateway=Gateway(name, ROOT, gateway, tags, machine.signals()),
            context=Context(name, ROOT, context, odd_notes=plans is not None),
            mishaps=None if plans is None else Mishaps(spoiling, plans, end_ms),
            account=Account(name, law, end_ms),
            end_ms=end_ms,
        )

    def day(self) -> tuple[list[Sent], list[TruthRow]]:
        """The next day's messages, and its truth."""
        record = self.machine.day()
        times, values = self.instruments.read(record)
        spoilt = self.mishaps.spoil(record, times, values) if self.mishaps else Spoilt()
        sent = [*self.gateway.day(record, spoilt, times, values), *self.context.day(record)]
        due, planted = self.account.day(record)
        return sent, [*rows_of(record, spoilt, due, horizon_ms=self.end_ms), *planted]
