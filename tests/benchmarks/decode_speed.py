"""What decoding costs, beside what msgspec alone costs for the same bytes in the same run.

    python -m tests.benchmarks.decode_speed

A message is a list of 12 scans of 32 numbers, about 10 kB; the time is the best of 15 rounds over 300 messages.
"""

from __future__ import annotations

import json
import random
import timeit
from collections.abc import Callable

import msgspec

from collector.decode import Decoder
from collector.message import Message
from tests.mills import RECEIVED_MS, SENT_MS, message, readable_mill

MESSAGES, SCANS, VALUES, ROUNDS = 300, 12, 32, 15


def main() -> None:
    """Prints one line for each way of writing the time."""
    decode = Decoder(readable_mill()).decode
    alone = msgspec.json.Decoder(list[dict[str, float | str | dict[str, float]]]).decode
    times: dict[str, Callable[[int], object]] = {
        "RFC 3339": lambda at: f"2026-03-01T02:{at // 60 % 60:02}:{at % 60:02}.500Z",
        "Unix ms": lambda at: SENT_MS + at,
    }
    for name, time in times.items():
        messages = [_message(time, first=number * SCANS) for number in range(MESSAGES)]
        assert all(len(decode(one).scans) == SCANS for one in messages)
        ours_ns = _best_ns(lambda messages=messages: [decode(one) for one in messages])  # type: ignore[misc]
        bare_ns = _best_ns(lambda messages=messages: [alone(one.payload) for one in messages])  # type: ignore[misc]
        print(f"{name:9} {ours_ns:4.0f} ns a value, msgspec alone {bare_ns:4.0f} ns, ratio {ours_ns / bare_ns:.1f}")


def _message(time: Callable[[int], object], *, first: int) -> Message:
    numbers = random.Random(first)
    scans = [
        {
            "ts": time((first + offset) % 3600),
            "values": {f"section{tag % 7}.tag_{tag}": round(numbers.uniform(0, 900), 2) for tag in range(VALUES)},
        }
        for offset in range(SCANS)
    ]
    one = message(json.dumps(scans))
    return Message(received_ms=RECEIVED_MS + 3_600_000, topic=one.topic, payload=one.payload)


def _best_ns(run: Callable[[], object]) -> float:
    return min(timeit.repeat(run, number=1, repeat=ROUNDS)) / (MESSAGES * SCANS * VALUES) * 1e9


if __name__ == "__main__":
    main()
