"""Where notes are handed in: kept first, then said to the collector, again and again until it has them."""

from __future__ import annotations

import json
import logging
import secrets
import threading
import uuid
from collections.abc import Callable, Mapping
from datetime import datetime
from functools import partial
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import Any, ParamSpec, Self

from analysis.broker.address import Broker
from analysis.broker.line import Line
from analysis.page.outbox import Kept, Outbox, Way
from analysis.read import Store
from analysis.telling.common import iso

log = logging.getLogger("breakhorn.page")

P = ParamSpec("P")

LONGEST_WAIT_S = 5.0
"""Between two attempts to reach the broker: a crew waits for it, so more often than a service would. [s]"""
FIRST_AGAIN_S, LAST_AGAIN_S = 5.0, 600.0
"""A note that the broker has and nobody answers is said again after this, and then ever more seldom: if the collector's
session was new, the broker had nobody to give it to. A collector that is only late knows it by its id. [s]"""
TWICE_WITHIN_MS = 10_000
"""The same said again so soon is a glove that hit the button twice. [ms]"""


class Desk:
    """Takes notes from people, and knows how far each has come.

    One thread of its own says notes and marks what was answered. The line's callbacks only leave word for it: paho
    calls them with its lock on outgoing messages held, which whoever publishes needs.
    """

    def __init__(self, outbox: Outbox, broker: Broker, root: str, *, now_ms: Callable[[], int]) -> None:
        """Nothing is sent before the block is entered."""
        self._outbox, self._root, self._now_ms = outbox, root, now_ms
        client_id = f"breakhorn-{root.replace('/', '-')}-page-{secrets.token_hex(3)}"
        self.line = Line(broker, client_id=client_id, log=log, longest_wait_s=LONGEST_WAIT_S)
        self.line.hear(f"{root}/+/note/receipt", lambda _, payload: self._leave_word(self._answered, payload))
        self.line.opened = lambda: self._leave_word(self._begin_anew)
        self.line.delivered = lambda number, refused: self._leave_word(self._delivered, number, refused)
        self._in_flight: dict[int, str] = {}
        self._newest_ms = max((said_ms(kept) for kept in outbox.all()), default=0)
        self._lock = threading.Lock()
        self._words: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="desk", daemon=True)

    def __enter__(self) -> Self:
        """Begin to send; returns at once."""
        self._thread.start()
        self.line.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave; what was not sent goes out after the next start."""
        self.line.__exit__(kind, error, trace)
        self._words.put(None)
        self._thread.join(timeout=10)
        self._outbox.close()

    @property
    def connected(self) -> bool:
        """Whether notes go out at once."""
        return self.line.connected

    @property
    def revision(self) -> int:
        """Another number whenever a note has come further."""
        return self._outbox.revision

    def all(self) -> tuple[Kept, ...]:
        """Every note on its way, in order."""
        return self._outbox.all()

    def hand_in(self, machine: str, said: Mapping[str, Any], *, after_ms: int = 0) -> Kept:
        """Keep a note and send it as soon as may be; it is safe once this returns.

        said
            The note without its id and time; what is None is left out.
        after_ms
            Time of the note that it is to supersede: of two, the newer holds. [ms]

        Raises
        ------
        OutboxFull, OSError
            If it cannot be kept; then nobody has it.
        """
        content = {key: value for key, value in said.items() if value is not None}
        with self._lock:
            if (again := self._just_said(machine, content)) is not None:
                return again
            newest_ms = max(self._now_ms(), self._newest_ms + 1, after_ms + 1)
            note = {"note_id": str(uuid.uuid4()), "ts": iso(newest_ms), **content}
            kept = self._outbox.add(f"{self._root}/{machine}/note", note)
            self._newest_ms = newest_ms
            self._leave_word(self._say, kept)
        return kept

    def dismiss(self, note_id: str) -> None:
        """Somebody has read why a note was refused, or why it changes nothing."""
        for kept in self._outbox.all():
            if kept.note_id == note_id and kept.reason is not None and kept.way is not Way.WAITING:
                self._outbox.drop(note_id)

    def settle(self, store: Store) -> None:
        """Let go of every note that the published store has, and find out why others were rejected.

        One that changes nothing, so its receipt, stays until somebody has read that or it is taken back.
        """
        kept = self._outbox.all()
        if not kept:
            return
        rows = store.rows(
            "SELECT note_id, withdrawn FROM note WHERE list_contains($ids, note_id)", ids=[one.note_id for one in kept]
        )
        there = {row["note_id"]: row["withdrawn"] for row in rows}
        for one in kept:
            to_be_read = one.reason is not None and one.way is not Way.WAITING
            if one.note_id in there and (there[one.note_id] or not to_be_read):
                self._outbox.drop(one.note_id)
            elif one.way is Way.SENT and (reason := _rejected(store, one)) is not None:
                self._outbox.mark(one.note_id, Way.REFUSED, reason)

    def _just_said(self, machine: str, content: Mapping[str, Any]) -> Kept | None:
        newest = next(reversed(self._outbox.all()), None)
        if newest is None or self._now_ms() - said_ms(newest) > TWICE_WITHIN_MS:
            return None
        before = {key: value for key, value in newest.note.items() if key not in ("note_id", "ts")}
        return newest if (newest.topic, before) == (f"{self._root}/{machine}/note", dict(content)) else None

    def _leave_word(self, work: Callable[P, None], *arguments: P.args, **named: P.kwargs) -> None:
        self._words.put(partial(work, *arguments, **named))

    def _work(self) -> None:
        again_s = FIRST_AGAIN_S
        while True:
            try:
                work = self._words.get(timeout=again_s)
                again_s = FIRST_AGAIN_S
            except Empty:
                work, again_s = self._say_all, min(2 * again_s, LAST_AGAIN_S)
            if work is None:
                return
            try:
                work()
            except Exception:
                # A full disk, or a receipt that is none, be it brackets without end: notes stay as they are, and are
                # said again. Whatever it is, without this thread none would go out any more, and nobody would know.
                log.exception("a note could not be marked")

    def _begin_anew(self) -> None:
        """After each connection; what was under way on the last one never got an answer."""
        self._in_flight.clear()
        self._say_all()

    def _say_all(self) -> None:
        """Everything that was not answered, in order. What came twice, the collector knows."""
        for kept in self._outbox.all():
            self._say(kept)

    def _say(self, kept: Kept) -> None:
        if kept.way not in (Way.WAITING, Way.SENT) or kept.note_id in self._in_flight.values():
            return
        sent = self.line.publish(kept.topic, kept.payload)
        if sent is not None:
            self._in_flight[sent.mid] = kept.note_id

    def _delivered(self, number: int, refused: str | None) -> None:
        note_id = self._in_flight.pop(number, None)
        if note_id is None:
            return
        if refused is None:
            self._outbox.mark(note_id, Way.SENT)
        else:
            log.error("the broker would not have note %s: %s", note_id, refused)
            # It lacks a right that somebody can give: the note stays, and goes out with a later connection.
            self._outbox.mark(note_id, Way.WAITING, f"the broker: {refused}")

    def _answered(self, payload: bytes) -> None:
        said = json.loads(payload)
        way = Way.TAKEN if said["accepted"] else Way.REFUSED
        self._outbox.mark(str(said["note_id"]), way, said.get("reason"))


def said_ms(kept: Kept) -> int:
    """When a note was made. [ms]"""
    return round(datetime.fromisoformat(str(kept.note["ts"])).timestamp() * 1000)


def _rejected(store: Store, kept: Kept) -> str | None:
    """Why the collector could not use a message; None if it did not say so."""
    rows = store.rows(
        "SELECT reason FROM rejected_message WHERE topic = $topic AND contains(payload::VARCHAR, $note_id) "
        "ORDER BY received_at DESC LIMIT 1",
        topic=kept.topic,
        note_id=kept.note_id,
    )
    return str(rows[0]["reason"]) if rows else None
