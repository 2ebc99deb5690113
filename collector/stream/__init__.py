"""Stream files: recorded or simulated messages, as JSON Lines (plain, ``.gz``, ``.zst``) or as Parquet."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from collector.message import Message
from collector.stream.fault import StreamFault
from collector.stream.jsonl import JsonLinesSink, read_json_lines
from collector.stream.parquet import ParquetSink, read_parquet

__all__ = ["StreamFault", "StreamWriter", "read_stream", "read_streams"]


class _Sink(Protocol):
    def write(self, message: Message) -> None: ...
    def finish(self) -> None: ...
    def discard(self) -> None: ...


def read_stream(path: Path) -> Iterator[Message]:
    """The messages of a stream file in the order in which they were written.

    Raises
    ------
    StreamFault
        While it is read, at the first line or row that is not a recorded message, or if the file cannot be read.
    """
    return read_parquet(path) if _is_parquet(path) else read_json_lines(path)


def read_streams(paths: Iterable[Path]) -> Iterator[Message]:
    """The messages of some stream files, one file after the other. Raises StreamFault as ``read_stream`` does."""
    for path in paths:
        yield from read_stream(path)


class StreamWriter:
    """Writes a stream file. It has its name only once it is complete; after an error there is no file."""

    def __init__(self, path: Path) -> None:
        """Chooses the format by the suffix, and begins a file under a temporary name in the same folder.

        Raises
        ------
        StreamFault
            For an unknown suffix, or a folder that cannot be written to.
        """
        if not path.parent.is_dir():
            raise StreamFault(path, None, "its folder does not exist: make it first")
        try:
            self._sink: _Sink = ParquetSink(path) if _is_parquet(path) else JsonLinesSink(path)
        except OSError as error:
            raise StreamFault(path, None, f"cannot be written ({error.strerror})") from error

    def write(self, message: Message) -> None:
        """Adds a message."""
        self._sink.write(message)

    def __enter__(self) -> Self:
        """The writer itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Completes the file, or takes it away if there was an error."""
        if kind is None:
            self._sink.finish()
        else:
            self._sink.discard()


def _is_parquet(path: Path) -> bool:
    name = path.name.lower()
    if name.endswith(".parquet"):
        return True
    if name.endswith((".jsonl", ".jsonl.gz", ".jsonl.zst")):
        return False
    raise StreamFault(path, None, "is no stream file: use .jsonl, .jsonl.gz, .jsonl.zst or .parquet")
