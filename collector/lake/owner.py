"""Who copies to a lake: one process a store, under a name that no other store has."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec

from collector.lake.manifest import FOLDER, writer_folder
from collector.lake.place import Lake, LakeFault, LakeRefused, lake_errors, part_of

SPOOL = "lake"
"""Folder in the store where files are made before they go to the lake: a slow lake holds nothing up but itself."""


class Writer(msgspec.Struct, kw_only=True, frozen=True):
    """Who writes, and of what mill: two stores must not share a name, nor two mills of one name differ."""

    writer: str
    writer_id: str
    mill: str
    time_zone: str
    currency: str


@contextmanager
def alone(store: Path) -> Iterator[Path]:
    """The spool folder, held against any other that copies from this store: one at a time."""
    spool = store / SPOOL
    with lake_errors(spool):
        spool.mkdir(exist_ok=True)
        handle = os.open(spool / "held", os.O_CREAT | os.O_RDWR, 0o600)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise LakeFault("another process copies from this store to the lake just now: wait for it") from None
        yield spool
    finally:
        os.close(handle)


def writer_id_of(spool: Path) -> str:
    """The number that this store is told by, made once: a copy of its mill.toml elsewhere does not have it."""
    path = spool / "writer_id"
    with lake_errors(path):
        try:
            return path.read_text(encoding="ascii")
        except FileNotFoundError:
            made = path.with_name("writer_id.new")
            made.write_text(os.urandom(16).hex(), encoding="ascii")
            made.replace(path)
            return path.read_text(encoding="ascii")


def claim(lake: Lake, writer: Writer) -> None:
    """Make sure that the name is this store's, and that the mill is what others say it is.

    Raises
    ------
    LakeRefused
        Another store has that name, or another writer of the mill has another time zone or currency.
    LakeFault
        What one of them says cannot be read.
    """
    mine = f"{writer_folder(writer.mill, writer.writer)}/writer.json"
    with lake_errors(lake.folder):
        found = sorted((lake.folder / FOLDER / part_of("mill", writer.mill)).glob("writer=*/writer.json"))
    said = {path: writer_said(path) for path in found}
    for path, other in said.items():
        if path == lake.folder / mine and other.writer_id != writer.writer_id:
            raise LakeRefused(
                f"another store writes to the lake as {writer.writer!r}: give this one a name of its own with [lake] "
                f"writer; if that store is gone for good, and this one was restored from its backup, remove {path}"
            )
        if path != lake.folder / mine and (other.time_zone, other.currency) != (writer.time_zone, writer.currency):
            raise LakeRefused(
                f"{other.writer!r} says of the mill {writer.mill!r}: {other.time_zone}, {other.currency}; this "
                f"mill.toml says {writer.time_zone}, {writer.currency}: mend the one that is wrong, or the name"
            )
    if said.get(lake.folder / mine) != writer:
        lake.put_text(msgspec.json.encode(writer), mine, writer_id=writer.writer_id)


def writer_said(path: Path) -> Writer:
    """What a writer says of itself; LakeFault if it is damaged, since it may be another store's."""
    with lake_errors(path):
        content = path.read_bytes()
    try:
        return msgspec.json.decode(content, type=Writer)
    except msgspec.DecodeError as error:
        raise LakeFault(
            f"{path} is damaged ({error}): remove it; nothing is lost, its writer says it again with its next copy"
        ) from error
