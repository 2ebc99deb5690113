"""Stream files as JSON Lines: ``{"received_at": …, "topic": …, "payload": <JSON>}``, or base64 in "payload_b64"."""

from __future__ import annotations

import gzip
import os
import zlib
from base64 import b64decode, b64encode
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, cast

import msgspec
import zstandard

from collector.decode.instant import instant_ms
from collector.decode.parts import NOT_DECODABLE, not_json
from collector.decode.unusable import Unusable, plain_words
from collector.message import Message
from collector.stream.fault import StreamFault

_DAMAGED = (OSError, EOFError, zlib.error, zstandard.ZstdError)
_CHUNK = 1 << 17
_PACKED_CHUNK = 1 << 8
"""Zstandard packs 32,000 bytes of a kind into one: so much of it becomes 8 MB at most."""
LONGEST_LINE = 400_000_000
"""MQTT knows no payload above 256 MB (1.5.5, 2.1.4), which base64 makes a third longer. [bytes]"""
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_NO_JSON = msgspec.Raw()  # one object: a default is left out of a line by identity


class _Line(msgspec.Struct, omit_defaults=True):
    """stamped_at and retained go beyond the three columns: without them a recording would not load to the same rows."""

    received_at: int | float | str
    topic: str
    payload: msgspec.Raw = _NO_JSON
    payload_b64: str | None = None
    stamped_at: int | float | str | None = None
    retained: bool = False


_decode = msgspec.json.Decoder(_Line).decode
_encode = msgspec.json.Encoder().encode


def read_json_lines(path: Path) -> Iterator[Message]:
    """The messages of a file of JSON Lines, empty lines passed over."""
    number = 0
    try:
        with ExitStack() as stack:
            for number, line in enumerate(_open_to_read(path, stack), start=1):
                if len(line) > LONGEST_LINE:
                    raise StreamFault(path, number, f"is longer than any message: {LONGEST_LINE:,} bytes and more")
                text = line.removeprefix(_BYTE_ORDER_MARK).strip()
                if text:
                    yield _message(path, number, text)
    except FileNotFoundError:
        raise StreamFault(path, None, "no such file") from None
    except _DAMAGED as error:
        raise StreamFault(path, number + 1, f"cannot be read on from here ({error}): is the file cut short?") from error


def _open_to_read(path: Path, stack: ExitStack) -> Iterable[bytes]:
    """Its lines, the last one cut off where it is too long: a small packed file may hold one without end."""
    if path.name.lower().endswith(".gz"):
        return _bounded(stack.enter_context(gzip.open(path)))
    file = stack.enter_context(path.open("rb"))
    return _lines(_unpacked(file)) if path.name.lower().endswith(".zst") else _bounded(file)


def _bounded(file: IO[bytes] | gzip.GzipFile) -> Iterator[bytes]:
    while line := file.readline(LONGEST_LINE + 1):
        yield line
        if len(line) > LONGEST_LINE:
            return


def _unpacked(file: IO[bytes]) -> Iterator[bytes]:
    """What zstandard frames hold. The library's own reader takes a file that is cut short for a complete one."""
    frame = zstandard.ZstdDecompressor().decompressobj()
    between_frames = True
    while chunk := file.read(_CHUNK):
        place = 0
        while place < len(chunk):
            some = chunk[place : place + _PACKED_CHUNK]
            yield frame.decompress(some)
            between_frames = frame.eof
            place += len(some) - len(frame.unused_data)
            if frame.eof:
                frame = zstandard.ZstdDecompressor().decompressobj()
    if not between_frames:
        raise EOFError("the compressed data ends early")


def _lines(chunks: Iterable[bytes]) -> Iterator[bytes]:
    begun: list[bytes] = []
    size = 0
    for chunk in chunks:
        first, *more = chunk.split(b"\n")
        begun.append(first)
        size += len(first)
        if more:
            yield b"".join(begun)
            yield from more[:-1]
            begun, size = [more[-1]], len(more[-1])
        elif size > LONGEST_LINE:
            break
    yield b"".join(begun)


def _message(path: Path, number: int, text: bytes) -> Message:
    try:
        line = _decode(text)
        return Message(
            received_ms=instant_ms(line.received_at),
            topic=line.topic,
            payload=_payload(line),
            stamped_ms=None if line.stamped_at is None else instant_ms(line.stamped_at),
            retained=line.retained,
        )
    except msgspec.ValidationError as error:
        raise StreamFault(path, number, plain_words(str(error))) from None
    except Unusable as error:
        raise StreamFault(path, number, str(error)) from None
    except NOT_DECODABLE as error:
        raise StreamFault(path, number, not_json(text, error).replace("payload", "line")) from None


def _payload(line: _Line) -> bytes:
    raw = bytes(line.payload)
    if bool(raw) == (line.payload_b64 is not None):
        raise Unusable('has both "payload" and "payload_b64"' if raw else 'has no "payload"')
    if line.payload_b64 is None:
        return raw
    try:
        return b64decode(line.payload_b64, validate=True)
    except ValueError:
        raise Unusable('"payload_b64" is not base64') from None


def _fits_inline(payload: bytes) -> bool:
    """Whether a payload is JSON that comes back byte for byte from the middle of a line."""
    if b"\n" in payload or payload != payload.strip():
        return False
    try:
        msgspec.json.decode(payload)
    except NOT_DECODABLE:
        return False
    return True


def _rfc3339(at_ms: int) -> str:
    seconds, thousandths = divmod(at_ms, 1000)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{thousandths:03}Z"


def _compressed(file: IO[bytes], name: str, stack: ExitStack) -> IO[bytes]:
    """The file, or what packs into it. The same messages give the same bytes, whenever they are written."""
    if name.endswith(".gz"):
        return cast(IO[bytes], stack.enter_context(gzip.GzipFile(filename="", fileobj=file, mode="wb", mtime=0)))
    if name.endswith(".zst"):
        packer = zstandard.ZstdCompressor(write_checksum=True).stream_writer(file, closefd=False)
        return cast(IO[bytes], stack.enter_context(packer))
    return file


class JsonLinesSink:
    """Writes JSON Lines under a temporary name."""

    def __init__(self, path: Path) -> None:
        """Begins the file."""
        self._path = path
        self._temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
        self._stack = ExitStack()
        self._raw = self._stack.enter_context(self._temporary.open("wb"))
        self._file = _compressed(self._raw, path.name.lower(), self._stack)

    def write(self, message: Message) -> None:
        """Adds a line."""
        inline = _fits_inline(message.payload)
        line = _Line(
            received_at=_rfc3339(message.received_ms),
            topic=message.topic,
            payload=msgspec.Raw(message.payload) if inline else _NO_JSON,
            payload_b64=None if inline else b64encode(message.payload).decode(),
            stamped_at=None if message.stamped_ms is None else _rfc3339(message.stamped_ms),
            retained=message.retained,
        )
        self._file.write(_encode(line) + b"\n")

    def finish(self) -> None:
        """Gives the complete file its name."""
        self._stack.close()
        os.replace(self._temporary, self._path)

    def discard(self) -> None:
        """Takes the file away."""
        self._stack.close()
        self._temporary.unlink()
