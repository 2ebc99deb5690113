"""Where things lie in a lake, and how they get there: a file appears whole under its name, or not at all."""

from __future__ import annotations

import hashlib
import os
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

import msgspec

LAKE_VERSION = 1
"""Version of the layout. A lake of a newer one is left alone: this version cannot know what it would spoil."""

MARKER = "lake.json"


class LakeFault(Exception):
    """Nothing can be copied to the lake for now; it is tried again. The message says why, and what to do."""


class LakeRefused(LakeFault):
    """What is to be copied belongs to somebody else. Only people can say whose it is; the message says how."""


class Marker(msgspec.Struct, kw_only=True):
    """What makes a folder a lake: without it, a mount point with nothing mounted would be filled instead."""

    lake_version: int
    lake_id: str


class Lake:
    """A lake's folder. Every path in it is relative, with "/" between folders, whatever it is mounted as."""

    def __init__(self, folder: Path) -> None:
        """Use a folder that is a lake.

        Raises
        ------
        LakeFault
            There is none, or a newer version of Breakhorn made it.
        """
        self.folder = folder
        path = folder / MARKER
        try:
            marker = msgspec.json.decode(path.read_bytes(), type=Marker)
        except FileNotFoundError:
            raise LakeFault(f"{folder} is no lake: mount it, or make it one once with 'breakhorn lake make'") from None
        except (OSError, msgspec.DecodeError, msgspec.ValidationError) as error:
            raise LakeFault(f"{path} cannot be read ({error}): look at where the lake is mounted") from error
        if marker.lake_version > LAKE_VERSION:
            raise LakeFault(
                f"{folder} has layout {marker.lake_version}, this Breakhorn knows {LAKE_VERSION}: update it here first"
            )
        self.lake_id = marker.lake_id

    def put(self, made: Path, path: str, *, writer_id: str) -> None:
        """Copy a file into the lake under a name; whoever reads sees it whole or not at all.

        Raises
        ------
        LakeFault
            If it cannot be written.
        """
        target = self.folder / path
        writing = self.folder / ".writing" / writer_id / target.name
        with lake_errors(target):
            writing.parent.mkdir(parents=True, exist_ok=True)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(made, writing)
            _sync(writing)
            writing.replace(target)
            _sync(target.parent)

    def put_text(self, data: bytes, path: str, *, writer_id: str) -> None:
        """The same for a small file that was not written yet."""
        target = self.folder / path
        writing = self.folder / ".writing" / writer_id / target.name
        with lake_errors(target):
            writing.parent.mkdir(parents=True, exist_ok=True)
            target.parent.mkdir(parents=True, exist_ok=True)
            writing.write_bytes(data)
            _sync(writing)
            writing.replace(target)
            _sync(target.parent)

    def forget(self, writer_id: str) -> None:
        """Remove what a copy that was cut off has left."""
        shutil.rmtree(self.folder / ".writing" / writer_id, ignore_errors=True)


def make_lake(folder: Path) -> None:
    """Make a folder a lake; one that is a lake stays as it is."""
    with lake_errors(folder):
        folder.mkdir(parents=True, exist_ok=True)
        marker = Marker(lake_version=LAKE_VERSION, lake_id=str(uuid.uuid4()))
        writing = folder / f"{MARKER}.{marker.lake_id}"
        writing.write_bytes(msgspec.json.encode(marker))
        _sync(writing)
        try:
            # Unlike a rename, a link never replaces a marker that another has made meanwhile.
            os.link(writing, folder / MARKER)
        except FileExistsError:
            pass
        except OSError:
            if not (folder / MARKER).exists():
                writing.replace(folder / MARKER)
        writing.unlink(missing_ok=True)


def part_of(name: str, value: str) -> str:
    """One level of a path, ``name=value``; characters that a path or another engine could misread are escaped."""
    return f"{name}={safe(value)}"


def safe(text: str) -> str:
    """A text as part of a file name: what is no letter, digit, "_", "-", "." or "~" as %XX of its UTF-8."""
    escaped = quote(text, safe="")
    return "%2E" + escaped[1:] if escaped.startswith(".") else escaped


def digest_of(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def lake_errors(path: Path) -> Iterator[None]:
    """Errors of the file system as faults of the lake."""
    try:
        yield
    except OSError as error:
        raise LakeFault(f"{path}: {error.strerror or error}; look at the lake's disk, rights and mount") from error


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
