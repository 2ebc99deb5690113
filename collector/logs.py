"""How the service's log looks: one event a line, as text for people or as JSON for programs."""

from __future__ import annotations

import logging
import re
import sys
import threading
from collections.abc import Mapping
from datetime import UTC, datetime
from enum import StrEnum

import msgspec

ROOT = "breakhorn"
_EVENT = "breakhorn_event"


class LogFormat(StrEnum):
    """What a line of the log is."""

    TEXT = "text"
    JSON = "json"


def about(event: str, *, machine: str | None = None, at_ms: int | None = None, **data: object) -> dict[str, object]:
    """What a line is about, to be given to a logger as ``extra``.

    event
        Name of the kind of event: a monitor may rely on it.
    at_ms
        Source time of the event, where it has one. [ms since 1970-01-01 UTC]
    data
        What else a program could want to know of it; never a payload, never a secret.
    """
    return {_EVENT: {"event": event, "machine": machine, "event_at": at_ms, "data": data}}


def set_up(form: LogFormat, level: str) -> None:
    """Log to standard error from now on, also what goes wrong in a thread and what warns."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLine() if form is LogFormat.JSON else TextLine())
    logging.basicConfig(level=level.upper(), handlers=[handler], force=True)
    logging.captureWarnings(capture=True)
    threading.excepthook = _failed_thread


def _failed_thread(failure: threading.ExceptHookArgs) -> None:
    name = failure.thread.name if failure.thread else "?"
    logging.getLogger(ROOT).error("the thread %s failed: %r", name, failure.exc_value, extra=about("thread failed"))


class TextLine(logging.Formatter):
    """``2026-03-01T02:03:04.500Z info collector: pm2: break at …``, whatever the message holds: one line."""

    def format(self, record: logging.LogRecord) -> str:
        """One line of text."""
        error = f" ({record.exc_info[1]!r})" if record.exc_info and record.exc_info[1] else ""
        said = one_line(record.getMessage() + error)
        return f"{_instant(record.created)} {record.levelname.lower()} {_source(record)}: {said}"


class JsonLine(logging.Formatter):
    """One JSON object a line. The keys are always the same and always there; what does not apply is null."""

    def format(self, record: logging.LogRecord) -> str:
        """One line of JSON."""
        told: Mapping[str, object] = getattr(record, _EVENT, {})
        at_ms = told.get("event_at")
        line = {
            "at": _instant(record.created),
            "level": record.levelname.lower(),
            "source": _source(record),
            "event": told.get("event"),
            "machine": told.get("machine"),
            "event_at": _instant(at_ms / 1000) if isinstance(at_ms, int) else None,
            "message": record.getMessage(),
            "data": told.get("data") or {},
            "error": repr(record.exc_info[1]) if record.exc_info and record.exc_info[1] else None,
        }
        return msgspec.json.encode(line, enc_hook=str).decode()


def _instant(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _source(record: logging.LogRecord) -> str:
    return record.name.removeprefix(ROOT + ".")


def one_line(text: str) -> str:
    """With control characters as escapes: what a sender wrote cannot look like a line of ours, nor move a terminal."""
    return re.sub(
        r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]", lambda found: f"\\u{ord(found[0]):04x}", text
    )
