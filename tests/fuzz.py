"""Throws mutilated messages at every decoder: each must lead to rows or to rejected messages, and to nothing else.

    python -m tests.fuzz --messages 1000000
    python -m tests.fuzz --messages 20000 --seed 7

Seeds are the recorded streams, the same as Sparkplug, and payloads made by hand for each format. A part of the messages
goes through tracker and writer into a store, which must be consistent at the end.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from collector.batch import Batch
from collector.decode import Decoder
from collector.decode.instant import EARLIEST_MS
from collector.decode.parts import MOST_REJECTED
from collector.decode.place import LONGEST_TAG
from collector.decode.sparkplug import NAMESPACE
from collector.decode.value import LONGEST_TEXT
from collector.message import Decoded, Message
from collector.mqtt.edge_node import as_sparkplug
from collector.pipeline import Pipeline
from collector.settings import Mill, parse_mill
from collector.store import Store
from collector.stream import read_stream
from collector.writer import Writer
from tests.mills import EXAMPLE, RECEIVED_MS, SENT_MS, example

GOLDEN = Path(__file__).parent.parent / "replay_data" / "golden"
AHEAD_MS = 300_000
LONGEST_REASON = 2_000
STORED_ONE_IN = 10
BATCH = 500

NUMBERS = (
    b"1e999", b"-1e400", b"1" + b"0" * 400, b"-0", b"0.1e-400", b"9007199254740993", b"18446744073709551616", b"NaN",
    b"-Infinity", b"1e308", b"01", b"1.", b"0x10", b"1_000", b"-9223372036854775809", b"253402300800000",
)  # fmt: skip
TEXTS = (
    b"'; DROP TABLE base.sample; --", b'" OR 1=1 --', b"\\u0000", b"\\ud800", b"\\udfff\\ud800", b"\x00", b"\xff\xfe",
    b"\xed\xa0\x80", "Ä漢\u202e🧻".encode(), b"\\n\\r\\t", b"../../etc/passwd", b"$SYS/#", b"+", b"#", b"%s%n{0}", b"",
    b"null", b"2026-02-30T00:00:00Z", b"9999-12-31T23:59:60Z", b"0000-00-00T00:00:00+99:99", b"x" * 1200,
)  # fmt: skip
LEVELS = (
    "", "#", "+", "$SYS", "pm2", "PM2", "ellerholm", "collector", "note", "lab", "order", "clothing", "scan", "tag",
    "runnability", "Ä漢", "\x00", "a\nb", "'; DROP TABLE base.tag; --", "x" * 500, "{machine}", "..", " ", NAMESPACE,
    "NBIRTH", "DDATA", "gw1", "\U0010ffff",
)  # fmt: skip

DOWNTIME = "pm2-20260301T000000Z"
UUID = "7f0c0f0e-2f3e-4c61-9a52-6c1f6f2f1a11"
BY_HAND: tuple[tuple[str, object], ...] = (
    ("ellerholm/pm2/scan", {"ts": SENT_MS, "values": {"reel.speed": 812.4, "sheet.press": True, "order.grade": "C80"}}),
    ("ellerholm/pm2/scan", [{"ts": SENT_MS + n, "values": {"press.draw": 1.8, "b": None}} for n in range(3)]),
    ("ellerholm/pm2/scan", {"values": {}}),
    ("ellerholm/pm2/tag/press.draw", 1.8),
    ("ellerholm/pm2/tag/press.draw", {"ts": "2026-03-01T02:03:04.500Z", "value": 2, "quality": 192}),
    ("ellerholm/pm2/tag/order.grade", [{"ts": SENT_MS, "value": "C80"}, {"value": None, "quality": "bad"}]),
    ("gateway/out", {"asset": "pm2", "name": "press.draw", "timestamp": SENT_MS, "value": 1.5, "quality": "Good"}),
    ("gateway/out", {"asset": "pm2", "name": "d/e~f", "value": True}),
    ("ellerholm/pm2/note", {"note_id": UUID, "downtime": DOWNTIME, "kind": "cause", "cause": "PR-FLT", "ts": SENT_MS}),
    ("ellerholm/pm2/note", {"note_id": UUID, "downtime": DOWNTIME, "kind": "kind", "new_kind": "stop", "by": "A"}),
    ("ellerholm/pm2/note", {"note_id": UUID, "downtime": DOWNTIME, "kind": "merge", "merge_into": DOWNTIME[:-1]}),
    ("ellerholm/pm2/note", {"note_id": UUID, "kind": "missed", "started": SENT_MS - 90_000, "ended": SENT_MS}),
    ("ellerholm/pm2/note", {"note_id": UUID, "withdraws": UUID.replace("7", "8"), "comment": "no", "ts": SENT_MS}),
    ("ellerholm/pm2/clothing", {"position": "press 1 top", "installed": SENT_MS - 1000, "comment": "new"}),
    ("ellerholm/pm2/lab", {"test": "moisture", "value": 5.1, "sampled": SENT_MS - 1000, "unit": "%", "reel": 4711}),
    ("ellerholm/pm2/order", {"order_id": 17, "grade": "C80", "shade": "white", "tonnes": 120.5, "ts": SENT_MS}),
)  # fmt: skip


class Broken(AssertionError):
    """A message that was neither taken nor rejected as it should be."""


@dataclass(slots=True)
class Tally:
    """What became of the messages."""

    messages: int = 0
    rows: int = 0
    rejected: int = 0
    ours: int = 0
    silent: int = 0
    stored: int = 0
    slowest_s: float = 0.0


def seeds(mill: Mill) -> list[Message]:
    """Whole messages of every format, received at one time, none of them large."""
    golden = [
        message
        for name in ("night_shift", "bad_messages")
        for message in read_stream(GOLDEN / name / "stream.jsonl.gz")
    ]
    golden = [message for message in golden if len(message.payload) < 4_000][:300] + golden[:5]
    spoken = as_sparkplug(golden[:60], "ellerholm", "gw1", decode=Decoder(mill).decode)
    made = [Message(received_ms=RECEIVED_MS, topic=topic, payload=json.dumps(said).encode()) for topic, said in BY_HAND]
    return [*made * 10, *golden, *spoken]


Mutation = Callable[[random.Random, bytes, bytes], bytes]


def flip_bits(dice: random.Random, data: bytes, other: bytes) -> bytes:
    """Some bits turned over."""
    changed = bytearray(data)
    for _ in range(dice.randint(1, 4)):
        if changed:
            changed[dice.randrange(len(changed))] ^= 1 << dice.randrange(8)
    return bytes(changed)


def cut(dice: random.Random, data: bytes, other: bytes) -> bytes:
    """Only the beginning, or only the end."""
    place = dice.randint(0, len(data))
    return data[:place] if dice.random() < 0.7 else data[place:]


def splice(dice: random.Random, data: bytes, other: bytes) -> bytes:
    """The beginning of one and the end of another."""
    return data[: dice.randint(0, len(data))] + other[dice.randint(0, len(other)) :]


def repeat(dice: random.Random, data: bytes, other: bytes) -> bytes:
    """A piece many times."""
    start = dice.randint(0, len(data))
    piece = data[start : start + dice.randint(1, 60)]
    return data[:start] + piece * dice.randint(2, 200) + data[start:]


def put_in(dice: random.Random, data: bytes, other: bytes) -> bytes:
    """A text that is hard to bear, somewhere."""
    place = dice.randint(0, len(data))
    return data[:place] + dice.choice(TEXTS) + data[place:]


def blow_up(dice: random.Random, data: bytes, other: bytes) -> bytes:
    """A number, or what stands in its place, becomes one that is hard to bear."""
    places = [place for place, byte in enumerate(data) if 48 <= byte <= 57]
    if not places:
        return dice.choice(NUMBERS)
    end = start = dice.choice(places)
    while end < len(data) and (48 <= data[end] <= 57 or data[end] == 46):
        end += 1
    return data[:start] + dice.choice(NUMBERS) + data[end:]


def nest(dice: random.Random, data: bytes, other: bytes) -> bytes:
    """Deep in lists or objects, closed again or not."""
    depth = dice.choice((1, 5, 200, 1_100, 20_000))
    opening, closing = dice.choice(((b"[", b"]"), (b'{"values":', b"}"), (b'{"a":[', b"]}")))
    return opening * depth + data + closing * dice.choice((depth, depth - 1, 0))


def noise(dice: random.Random, data: bytes, other: bytes) -> bytes:
    """Bytes without sense."""
    return dice.randbytes(dice.randint(0, 200))


MUTATIONS: tuple[Mutation, ...] = (
    flip_bits,
    flip_bits,
    cut,
    splice,
    repeat,
    put_in,
    put_in,
    blow_up,
    blow_up,
    nest,
    noise,
)


def mutilated(dice: random.Random, seed: Message, other: Message) -> Message:
    """A message that something has happened to; one in four is left whole."""
    payload, topic = seed.payload, seed.topic
    if dice.random() < 0.75:
        for _ in range(dice.choice((1, 1, 1, 2, 3))):
            payload = dice.choice(MUTATIONS)(dice, payload, other.payload)
    if dice.random() < 0.2:
        topic = odd_topic(dice, topic, other.topic)
    stamped_ms = dice.choice((None,) * 8 + (SENT_MS, 0, 10**15 - 1))
    return Message(
        received_ms=seed.received_ms,
        topic=topic,
        payload=payload[:300_000],
        stamped_ms=stamped_ms,
        retained=dice.random() < 0.1,
    )


def odd_topic(dice: random.Random, topic: str, other: str) -> str:
    """A topic with a level that nobody thought of, or another message's."""
    if dice.random() < 0.2:
        return other
    levels = topic.split("/")
    place = dice.randrange(len(levels))
    change = dice.random()
    if change < 0.6:
        levels[place] = dice.choice(LEVELS)
    elif change < 0.8:
        levels.insert(place, dice.choice(LEVELS))
    else:
        del levels[place]
    return "/".join(levels) or "/"


def judge(message: Message, decoded: Decoded, tally: Tally) -> None:
    """Raises Broken unless the message was taken or rejected as it should be."""
    silent = not (decoded.scans or decoded.context or decoded.rejected or decoded.ours)
    if silent and not message.topic.startswith(NAMESPACE):
        raise Broken("led to nothing at all")
    if len(decoded.rejected) > MOST_REJECTED + 1:
        raise Broken(f"led to {len(decoded.rejected)} rejected parts")
    for rejected in decoded.rejected:
        if not rejected.reason or len(rejected.reason) > LONGEST_REASON or not rejected.reason.isprintable():
            raise Broken(f"has an unfit reason: {rejected.reason!r}")
    for scan in decoded.scans:
        if not EARLIEST_MS <= scan.at_ms <= message.received_ms + AHEAD_MS and not silent:
            raise Broken(f"has a scan at {scan.at_ms}")
        for tag, value in scan.values.items():
            if not 0 < len(tag) <= LONGEST_TAG or (isinstance(value, str) and len(value) > LONGEST_TEXT):
                raise Broken(f"has the tag {tag[:300]!r} with {str(value)[:300]!r}")
    tally.messages += 1
    tally.rows += bool(decoded.scans or decoded.context)
    tally.rejected += bool(decoded.rejected)
    tally.ours += decoded.ours
    tally.silent += silent


class Keeping:
    """Lets messages through tracker and writer, some at a time."""

    def __init__(self, mill: Mill, store: Store) -> None:
        """Write to a store."""
        self.store = store
        self._pipeline = Pipeline(mill, {})
        self._writer = Writer(store, mill)
        self._batch = Batch()
        self.count = 0

    def take(self, message: Message) -> None:
        """Take in one message."""
        self._pipeline.take(message, self._batch)
        self.count += 1
        if self.count % BATCH == 0:
            self.commit()

    def commit(self) -> None:
        """Commit what was taken in."""
        self._pipeline.seal(self._batch)
        self._writer.commit(self._batch)
        self._batch = Batch()


def fuzz(messages: int, seed: int, folder: Path, *, progress: Callable[[Tally], None] = lambda tally: None) -> Tally:
    """Throw so many messages; raises Broken, or what a decoder raised, with the message in a note."""
    mill = parse_mill(example(), file=EXAMPLE)
    dice, tally, decoder, pool = random.Random(seed), Tally(), Decoder(mill), seeds(mill)
    began_ms = max(one.received_ms for one in pool)
    with ExitStack() as stack:
        store = stack.enter_context(Store.open(folder, mill, now_ms=RECEIVED_MS))
        keeping = Keeping(mill, store)
        for number in range(messages):
            one = dice.choice(pool)
            message = mutilated(dice, replace(one, received_ms=began_ms + number // 100), dice.choice(pool))
            began = time.perf_counter()
            try:
                decoded = decoder.decode(message)
                took_s = time.perf_counter() - began
                judge(message, decoded, tally)
                if number % STORED_ONE_IN == 0:
                    keeping.take(message)
            except Exception as error:
                said = f"{message.topic!r} {message.payload[:2000]!r} {message.stamped_ms}"
                error.add_note(f"message {number} of seed {seed}: {said}")
                raise
            tally.slowest_s = max(tally.slowest_s, took_s)
            if tally.messages % 10_000 == 0:
                progress(tally)
        keeping.commit()
        tally.stored = keeping.count
        if faults := store.inconsistencies():
            raise Broken(f"left an inconsistent store: {faults[:3]}")
    return tally


def main() -> None:
    """Run and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--messages", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    began = time.monotonic()

    def progress(tally: Tally) -> None:
        if sys.stderr.isatty():
            print(f"\r{tally.messages:,} …", end="", file=sys.stderr)

    with tempfile.TemporaryDirectory() as name:
        tally = fuzz(chosen.messages, chosen.seed, Path(name) / "store", progress=progress)
    print(
        f"{tally.messages:,} messages in {time.monotonic() - began:.0f} s: {tally.rows:,} led to rows, "
        f"{tally.rejected:,} to rejected messages (some to both), {tally.ours:,} were commands or our own, "
        f"{tally.silent:,} of Sparkplug said nothing new; the slowest took {tally.slowest_s * 1000:.0f} ms; "
        f"{tally.stored:,} went through tracker and writer."
    )


if __name__ == "__main__":
    main()
