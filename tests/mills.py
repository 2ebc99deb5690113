"""The mill of the design's example, whole or changed, for tests of settings and decoding."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from collector.message import Decoded, Message
from collector.settings import Mill, parse_mill

EXAMPLE = Path(__file__).with_name("mill.toml")

RECEIVED_MS = 1_772_330_590_000
"""2026-03-01 02:03:10 UTC: 20,513 days of 86,400 s since 1970, then 7,390 s."""


SENT_MS = 1_772_330_584_500
"""2026-03-01T02:03:04.500Z, 5.5 s before receipt."""


def example(*changes: tuple[str, str], without_sparkplug: bool = False) -> str:
    """The example's text; each change replaces one piece of it, which must be there exactly once."""
    text = EXAMPLE.read_text(encoding="utf-8")
    if without_sparkplug:
        begin = text.index('[[source]]\nformat = "sparkplug"')
        text = text[:begin] + text[text.index("[[source]]", begin + 1) :]
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the example"
        text = text.replace(old, new)
    return text


def readable_mill(*changes: tuple[str, str]) -> Mill:
    """The example's mill with the sources that are read by now."""
    return parse_mill(example(*changes, without_sparkplug=True), file=EXAMPLE)


def message(payload: object, topic: str = "ellerholm/pm2/scan", **more: Any) -> Message:
    """A message just received. Bytes and texts are sent as they are, anything else as JSON."""
    if not isinstance(payload, bytes | str):
        payload = json.dumps(payload)
    data = payload.encode() if isinstance(payload, str) else payload
    return Message(received_ms=RECEIVED_MS, topic=topic, payload=data, **more)


def reason(decoded: Decoded) -> str:
    """Why the only part that was rejected was."""
    (rejected,) = decoded.rejected
    return rejected.reason
