"""How the page keeps a file of its own: whole and durable, or not at all."""

from __future__ import annotations

import os
from pathlib import Path


def write_whole(file: Path, content: bytes) -> None:
    """Put a file in place by rename, on the disk before this returns, and readable by its owner only."""
    beside = file.with_name(f".{file.name}.new")
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        with os.fdopen(descriptor, "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        os.replace(beside, file)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
    sync_folder(file.parent)


def remove(file: Path) -> None:
    """Take a file away, for good before this returns."""
    file.unlink(missing_ok=True)
    sync_folder(file.parent)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
