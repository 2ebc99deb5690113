"""Stream files as Parquet: columns ``received_at TIMESTAMPTZ, topic VARCHAR, payload BLOB``, in the order of receipt.

Read and written in blocks. A reader holds one or two row groups in memory, so write row groups of a few thousand rows.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import duckdb
import numpy as np

from collector.message import Message
from collector.stream.fault import StreamFault

_BLOCK_ROWS = 2048
_BLOCK_BYTES = 32_000_000

_WANTED = {
    "received_at": ("TIMESTAMP WITH TIME ZONE",),
    "topic": ("VARCHAR",),
    "payload": ("BLOB", "VARCHAR"),
}
"""Types of the columns that a stream must have. A payload stored as text is taken as its UTF-8 bytes."""

_READ = """
SELECT epoch_ms(received_at), topic, {payload}, {stamped_at}, {retained}
FROM read_parquet(?)
"""


def read_parquet(path: Path) -> Iterator[Message]:
    """The messages of a Parquet file, in the order of its rows."""
    if not path.is_file():
        raise StreamFault(path, None, "no such file")
    row = 0
    with duckdb.connect() as connection:
        connection.execute("SET threads = 1")
        try:
            result = connection.execute(_query(connection, path), [_literal(path)])
            while rows := result.fetchmany(_BLOCK_ROWS):
                for values in rows:
                    row += 1
                    yield _message(path, row, *values)
        except duckdb.Error as error:
            reason = str(error).splitlines()[0]
            raise StreamFault(path, f"row {row + 1}", f"cannot be read on from here ({reason})") from error


def _query(connection: duckdb.DuckDBPyConnection, path: Path) -> str:
    described = connection.execute("DESCRIBE SELECT * FROM read_parquet(?)", [_literal(path)]).fetchall()
    types = {name: kind for name, kind, *_ in described}
    for name, wanted in _WANTED.items():
        if name not in types:
            raise StreamFault(path, None, f"has no column {name}: a stream has received_at, topic and payload")
        if types[name] not in wanted:
            raise StreamFault(path, None, f"column {name} is {types[name]}: it must be {wanted[0]}")
    return _READ.format(
        payload="payload" if types["payload"] == "BLOB" else "encode(payload)",
        stamped_at="epoch_ms(stamped_at)" if "stamped_at" in types else "NULL",
        retained="retained" if "retained" in types else "false",
    )


def _literal(path: Path) -> str:
    """The path with its wildcards made plain: a file may be called ``night[1].parquet``."""
    return "".join(f"[{character}]" if character in "*?[" else character for character in str(path))


def _message(
    path: Path,
    row: int,
    received_ms: int | None,
    topic: str | None,
    payload: bytes | None,
    stamped_ms: int | None,
    retained: bool | None,
) -> Message:
    if received_ms is None or topic is None or payload is None:
        missing = "received_at" if received_ms is None else "topic" if topic is None else "payload"
        raise StreamFault(path, f"row {row}", f"{missing} is null")
    return Message(
        received_ms=received_ms, topic=topic, payload=payload, stamped_ms=stamped_ms, retained=bool(retained)
    )


class ParquetSink:
    """Writes blocks of messages to a temporary folder, and joins them at the end."""

    def __init__(self, path: Path) -> None:
        """Makes the folder, beside the file to come."""
        self._path = path
        self._folder = Path(tempfile.mkdtemp(prefix=f".{path.name}.", dir=path.parent))
        self._connection = duckdb.connect()
        self._connection.execute("SET threads = 1")
        self._blocks: list[str] = []
        self._waiting: list[Message] = []
        self._waiting_bytes = 0

    def write(self, message: Message) -> None:
        """Adds a row."""
        self._waiting.append(message)
        self._waiting_bytes += len(message.payload)
        if len(self._waiting) >= _BLOCK_ROWS or self._waiting_bytes >= _BLOCK_BYTES:
            self._write_block()

    def finish(self) -> None:
        """Joins the blocks and gives the complete file its name."""
        try:
            if self._waiting or not self._blocks:
                self._write_block()
            whole = self._folder / "whole.parquet"
            blocks = self._connection.read_parquet(self._blocks)
            blocks.write_parquet(str(whole), compression="zstd", row_group_size=_BLOCK_ROWS)
            whole.replace(self._path)
        finally:
            self.discard()

    def discard(self) -> None:
        """Takes the temporary folder away."""
        self._connection.close()
        shutil.rmtree(self._folder)

    def _write_block(self) -> None:
        block = str(self._folder / f"{len(self._blocks):06}.parquet")
        self._connection.register("waiting", _columns(self._waiting))
        self._connection.sql(_BLOCK).write_parquet(block, compression="zstd", row_group_size=_BLOCK_ROWS)
        self._connection.unregister("waiting")
        self._blocks.append(block)
        self._waiting, self._waiting_bytes = [], 0


_BLOCK = """
SELECT
    make_timestamptz(received_ms * 1000) AS received_at,
    topic::VARCHAR AS topic,
    payload::BLOB AS payload,
    CASE WHEN is_stamped THEN make_timestamptz(stamped_ms * 1000) END AS stamped_at,
    retained
FROM waiting
"""


def _columns(messages: list[Message]) -> dict[str, np.ndarray]:
    return {
        "received_ms": np.array([message.received_ms for message in messages], dtype=np.int64),
        "topic": np.array([message.topic for message in messages], dtype=object),
        "payload": np.array([message.payload for message in messages], dtype=object),
        "stamped_ms": np.array([message.stamped_ms or 0 for message in messages], dtype=np.int64),
        "is_stamped": np.array([message.stamped_ms is not None for message in messages], dtype=bool),
        "retained": np.array([message.retained for message in messages], dtype=bool),
    }
