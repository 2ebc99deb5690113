"""What a backup holds, and whether it still does: names, sizes and SHA-256 of its files."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import msgspec

MANIFEST = "backup.json"

Progress = Callable[[int, int], None]
"""Called with the number of files done and of all."""


class BackupFault(Exception):
    """A backup cannot be made or used. The message says why, and what to do."""


class File(msgspec.Struct, frozen=True, kw_only=True):
    """One file, by its path within the backup: no other path, since a backup may have been in other hands."""

    name: Annotated[str, msgspec.Meta(pattern=r"\A(parts/)?[A-Za-z0-9_-]+\.[a-z]+\Z")]
    bytes: int
    sha256: str


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """The whole of a backup.

    data_to
        The newest source time in it, RFC 3339; None without data. What the collector took in later is not in it.
    rows
        Of each table, as the writer counted them.
    """

    made_at: str
    version: str
    schema_version: int
    data_to: str | None
    rows: dict[str, int]
    files: tuple[File, ...]


def write_manifest(folder: Path, manifest: Manifest) -> None:
    """Write it; a folder without one is no backup."""
    (folder / MANIFEST).write_bytes(msgspec.json.format(msgspec.json.encode(manifest), indent=2))


def read_manifest(folder: Path) -> Manifest:
    """Read it. Raises BackupFault if it is not there or cannot be read."""
    try:
        return msgspec.json.decode((folder / MANIFEST).read_bytes(), type=Manifest)
    except FileNotFoundError:
        raise BackupFault(f"{folder} is no backup: it has no {MANIFEST}") from None
    except msgspec.DecodeError as error:
        raise BackupFault(f"{folder / MANIFEST} cannot be read ({error}): take another backup") from error


def copied(source: Path, target: Path) -> str:
    """Copy a file so that it is there wholly or not at all; give its SHA-256 in hex. [what was read]"""
    digest, making = hashlib.sha256(), target.with_name(target.name + ".making")
    with source.open("rb") as reader, making.open("wb") as writer:
        while chunk := reader.read(1 << 20):
            digest.update(chunk)
            writer.write(chunk)
    making.replace(target)
    return digest.hexdigest()


def digest_of(path: Path) -> str:
    """SHA-256 of a file in hex."""
    with path.open("rb") as reader:
        return hashlib.file_digest(reader, "sha256").hexdigest()
