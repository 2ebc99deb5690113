"""The computer's clock, for commands and the service; all others are told the time."""

from __future__ import annotations

import time


def now_ms() -> int:
    """The present. [ms since 1970, UTC]"""
    return time.time_ns() // 1_000_000
