"""Server-sent events of the present to one reader: all of it at first, then what changes, until either side goes."""

from __future__ import annotations

import asyncio
import json
import logging
import time
from collections.abc import AsyncIterator, Callable
from contextlib import suppress

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from analysis.page.catalogue import Words
from analysis.page.now.hub import Hub, Reader

log = logging.getLogger("breakhorn.page")

BEAT_S = 5.0
"""So often something is said at least, by which the browser knows that it still hears. [s]"""
SLOW_S = 10.0
"""Who takes nothing for so long is let go; their browser comes back by itself. [s]"""
RETRY_MS = 2_000


class EventStream(Response):
    """Answers with events (WHATWG HTML, 9.2) until the reader goes, is too slow, or the page ends."""

    media_type = "text/event-stream"

    def __init__(self, hub: Hub, words: Words, ending: asyncio.Event, *, who: str = "", slow_s: float = SLOW_S) -> None:
        """Prepare for one reader."""
        super().__init__(headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"})
        del self.headers["content-length"]
        self._hub, self._words, self._ending, self._who, self._slow_s = hub, words, ending, who, slow_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Stream."""
        await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
        gone = asyncio.create_task(_gone(receive))
        ended = asyncio.create_task(self._ending.wait())
        try:
            async with self._hub.reading(self._who) as reader:
                async for text in self._events(reader, lambda: gone.done() or ended.done(), {gone, ended}):
                    body = {"type": "http.response.body", "body": text.encode(), "more_body": True}
                    await asyncio.wait_for(send(body), self._slow_s)
            if not gone.done():
                await send({"type": "http.response.body", "body": b"", "more_body": False})
        except TimeoutError:
            log.info("a reader of the present took nothing for %g s and was let go", self._slow_s)
        finally:
            for task in (gone, ended):
                task.cancel()
                with suppress(asyncio.CancelledError):
                    await task

    async def _events(
        self, reader: Reader, over: Callable[[], bool], ends: set[asyncio.Task[object]]
    ) -> AsyncIterator[str]:
        yield f"retry: {RETRY_MS}\n\n"
        sent: dict[str, tuple[str, str]] = {}
        while not over():
            reader.woken.clear()
            number, fragments = self._hub.picture.number, self._hub.fragments(self._words)
            changed = {machine: one for machine, one in fragments.items() if sent.get(machine) != one}
            if changed:
                yield _event("now", {"machines": changed, "at": _now_ms()}, number)
                sent = fragments
            woken = asyncio.create_task(reader.woken.wait())
            try:
                done, _ = await asyncio.wait({woken, *ends}, timeout=BEAT_S, return_when=asyncio.FIRST_COMPLETED)
            finally:
                woken.cancel()
            if not done:
                yield _event("beat", {"at": _now_ms()}, number)


async def _gone(receive: Receive) -> None:
    """Returns once the reader has gone."""
    while (await receive())["type"] != "http.disconnect":
        pass


def _event(name: str, said: dict[str, object], number: int) -> str:
    return f"id: {number}\nevent: {name}\ndata: {json.dumps(said, ensure_ascii=False)}\n\n"


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
