"""One shared picture of the present for all who look: folded once, drawn once a language, sent as each can take it.

A reader is never sent more than the newest: one that is slow misses what lay between, and one that takes nothing for
``SLOW_S`` is let go. So fifty readers cost the broker one subscriber, and the collector nothing.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
import threading
import time
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from zoneinfo import ZoneInfo

from starlette.concurrency import run_in_threadpool

from analysis.broker.address import Broker
from analysis.broker.line import Line
from analysis.history import Machine
from analysis.page.catalogue import Words
from analysis.page.now.draw import drawn, spoken
from analysis.page.now.heard import MillHeard, also_of, hear, nothing_heard, topics
from analysis.page.now.known import Known, known
from analysis.page.now.view import MachineNow, machine_now
from analysis.page.site import Site
from analysis.read import CannotRead, NoStore

log = logging.getLogger("breakhorn.page")

MOST_READERS = 300
"""Nobody has as many screens; each costs a socket and some memory."""
MOST_OF_ONE = 100
"""Of them, those of one address: it cannot keep all others out."""
_LOOK_EVERY_S = 1.0
"""How often it is asked whether something has become stale, or a new file was published. [s]"""
_LEAVE_S = 3.0
"""So long the end waits for a reading of the store that is under way. [s]"""
_LONGEST_WAIT_S = 5.0
"""Between two attempts to reach the broker. [s]"""
_GATHER_S = 0.05
"""What comes within this is shown together: a burst of messages is one event. [s]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """All machines at an instant, by id; ``number`` grows with each change."""

    number: int
    machines: Mapping[str, MachineNow]


@dataclass(eq=False, slots=True)
class Reader:
    """Somebody who looks, from an address; ``woken`` is set when there is something newer than they have."""

    who: str = ""
    woken: asyncio.Event = field(default_factory=asyncio.Event)


class Hub:
    """Lives as long as the page. All its methods belong to the event loop, but for what the line calls."""

    def __init__(self, site: Site, broker: Broker, root: str) -> None:
        """Nothing is heard before ``living`` is entered; ``root`` is that of the collector's own topics."""
        self._site, self._broker, self._root = site, broker, root
        self._names: dict[str, str] = {}
        self._heard: MillHeard | None = None
        self._known: dict[str, Known] = {}
        self._edition: object = None
        self._warned = ""
        self._zone = ZoneInfo("UTC")
        self._line: Line | None = None
        self._readers: set[Reader] = set()
        self._drawn: dict[tuple[str, str], tuple[MachineNow, str, str]] = {}
        self._over = asyncio.Event()
        self._due: asyncio.TimerHandle | None = None
        self.picture = Picture(number=0, machines={})
        self.begun = threading.Event()
        """Set once there is a picture: whoever comes in the first moment waits for it, in a thread."""

    @asynccontextmanager
    async def living(self) -> AsyncIterator[None]:
        """Listen and look until the block is left."""
        looking = asyncio.create_task(self._look_on())
        try:
            yield
        finally:
            # Not cancelled: a thread that reads the store must not be left behind.
            self._over.set()
            await asyncio.wait({looking}, timeout=_LEAVE_S)
            if self._due is not None:
                self._due.cancel()
            await self._hang_up()

    @asynccontextmanager
    async def reading(self, who: str = "") -> AsyncIterator[Reader]:
        """Somebody who looks, for as long as the block lasts."""
        reader = Reader(who)
        self._readers.add(reader)
        try:
            yield reader
        finally:
            self._readers.discard(reader)

    def takes_one_more(self, who: str) -> bool:
        """Whether there is room for one more who looks from an address."""
        of_one = sum(reader.who == who for reader in self._readers)
        return len(self._readers) < MOST_READERS and of_one < MOST_OF_ONE

    def fragments(self, words: Words) -> dict[str, tuple[str, str]]:
        """Each machine as HTML and as a sentence to be spoken; drawn once for each change and language."""
        found: dict[str, tuple[str, str]] = {}
        for machine, now in self.picture.machines.items():
            key = (machine, words.code)
            have = self._drawn.get(key)
            if have is None or have[0] != now:
                have = self._drawn[key] = (now, drawn(now, words, self._zone, now_ms=_now_ms()), spoken(now, words))
            found[machine] = have[1:]
        return found

    async def _look_on(self) -> None:
        while not self._over.is_set():
            try:
                await self._look()
            except Exception:  # whatever it is, the next look may be better; a dead hub would show the past for ever
                log.exception("the view of the present could not be renewed")
            with suppress(TimeoutError):
                await asyncio.wait_for(self._over.wait(), _LOOK_EVERY_S)

    async def _look(self) -> None:
        """Read the store if it was renewed, and see whether time alone has changed the picture."""
        try:
            edition = self._site.reader.version()
            if edition != self._edition:
                machines, self._known, self._zone = await run_in_threadpool(self._read)
                self._edition, self._warned = edition, ""
                await self._name(machines)
        except NoStore:
            pass
        except CannotRead as error:
            self._warn(str(error))
        if self._line is None and self._heard is not None:
            self._listen()
        self._renew()

    def _warn(self, said: str) -> None:
        """Say in the log what is amiss, once."""
        if said != self._warned:
            self._warned = said
            log.warning("the view of the present: %s", said)

    def _read(self) -> tuple[tuple[Machine, ...], dict[str, Known], ZoneInfo]:
        site, machines = self._site, self._site.machines()
        found = {m.machine: site.reader.answer(("now", m.machine), partial(known, machine=m)) for m in machines}
        return machines, found, site.mill().zone

    async def _name(self, machines: tuple[Machine, ...]) -> None:
        """Take to heart which machines there are; of one that turns up, ask the broker what it has retained."""
        before, self._names = self._names, {m.machine: m.name for m in machines}
        self._heard = also_of(self._heard or nothing_heard(self._root, ()), tuple(self._names))
        if self._names.keys() - before.keys():
            await self._hang_up()

    def _listen(self) -> None:
        """Begin to listen, once the store has said to which machines of which root."""
        loop = asyncio.get_running_loop()

        def heard(topic: str, payload: bytes) -> None:
            with suppress(RuntimeError):  # the loop has ended, and so has the page
                loop.call_soon_threadsafe(self._take, topic, payload)

        def opened() -> None:
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(self._renew_soon)

        client_id = f"breakhorn-{self._root.replace('/', '-')}-now-{secrets.token_hex(3)}"
        line = Line(self._broker, client_id=client_id, log=log, longest_wait_s=_LONGEST_WAIT_S)
        line.opened = opened
        for topic in topics(self._root):
            line.hear(topic, heard)
        line.__enter__()
        self._line = line

    async def _hang_up(self) -> None:
        """End to listen; whoever listens next is told anew what the broker has retained."""
        line, self._line = self._line, None
        if line is not None:
            await run_in_threadpool(line.__exit__, None, None, None)

    def _take(self, topic: str, payload: bytes) -> None:
        if self._heard is not None:
            after = hear(self._heard, topic, payload, now_ms=_now_ms())
            if after is not self._heard:
                self._heard = after
                self._renew_soon()

    def _renew_soon(self) -> None:
        if self._due is None:
            self._due = asyncio.get_running_loop().call_later(_GATHER_S, self._renew)

    def _renew(self) -> None:
        """Put the picture together, and wake those who look if it has changed."""
        if self._due is not None:
            self._due.cancel()
            self._due = None
        if self._heard is None:
            return
        connected, now_ms = self._line is not None and self._line.connected, _now_ms()
        machines = {
            machine: machine_now(
                (machine, name), self._heard, self._known.get(machine), connected=connected, now_ms=now_ms
            )
            for machine, name in self._names.items()
        }
        if machines != self.picture.machines:
            self.picture = Picture(number=self.picture.number + 1, machines=machines)
            self.begun.set()
            for reader in self._readers:
                reader.woken.set()


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
