"""What can be wrong with the store, each in words that a shift crew can act on."""

from __future__ import annotations

import errno
import re
from pathlib import Path

import duckdb


class StoreError(Exception):
    """The store cannot be used as it is. The message says what is wrong and what to do."""


class StoreHeld(StoreError):
    """Another collector has the store open: stop it, or choose another folder under [store]."""


class StoreNewer(StoreError):
    """A later Breakhorn wrote the store: run that version, or choose another folder under [store]."""


class StoreOlder(StoreError):
    """An earlier Breakhorn wrote the store, and it was opened only to look: start the collector once."""


class StoreDamaged(StoreError):
    """The store cannot be read. Nothing was changed in it: restore a backup, or set the folder aside and start anew."""


class StoreReadOnly(StoreError):
    """The collector may not write into the store's folder: give its user the right to."""


class StoreFull(StoreError):
    """The disk is full. Nothing is acknowledged, so the broker keeps what comes: make room."""


class StoreDead(StoreError):
    """The database gave up. Close the store and open it again: everything committed is still there.

    full
        True if it was for want of room on the disk.
    """

    def __init__(self, message: str, *, full: bool = False) -> None:
        """What is said, and whether the disk is full."""
        super().__init__(message)
        self.full = full


class StoreConflict(StoreError):
    """A row came that is there already. Nothing of its batch was stored: a fault in Breakhorn, please report it."""


def store_error(error: duckdb.Error, path: Path) -> StoreError:
    """The error of our tree that a DuckDB error means.

    path
        The database file, for the message.
    """
    text = str(error)
    if "No space left on device" in text and not _is_fatal(error):
        return StoreFull(f"no space left on the disk of {path.parent}: make room; the broker keeps what comes")
    if _is_fatal(error):
        full = "No space left" in text
        reason = "the disk is full: make room" if full else _first_line(text)
        message = f"{path} must be closed and opened again ({reason}); all that was committed is in it"
        return StoreDead(message, full=full)
    if "Could not set lock" in text:
        return StoreHeld(_held_message(text, path))
    if isinstance(error, duckdb.ConstraintException):
        return StoreConflict(f"{path} has such a row already ({_first_line(text)}): please report this fault")
    if re.search(r"Permission denied|Read-only file system|read-only mode", text, re.IGNORECASE):
        return StoreReadOnly(f"{path} cannot be written: give the collector's user the right to write in its folder")
    if isinstance(error, duckdb.IOException | duckdb.SerializationException) or "Corrupt" in text:
        return StoreDamaged(f"{path} cannot be read ({_first_line(text)}): restore a backup, or choose another folder")
    return StoreError(f"{path} cannot be used ({_first_line(text)}): please report this fault")


def opening_error(error: duckdb.Error, path: Path) -> StoreError:
    """The same for an error at opening, where a database that gives up has no room or cannot be read."""
    found = store_error(error, path)
    if not isinstance(found, StoreDead):
        return found
    if found.full:
        return StoreFull(f"no space left on the disk of {path.parent}: make room; the broker keeps what comes")
    return StoreDamaged(
        f"{path} cannot be read ({_first_line(str(error))}): restore a backup, or choose another folder"
    )


def file_error(error: OSError, path: Path) -> StoreError:
    """The error of our tree that an error of the file system means."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return StoreFull(f"no space left for {path}: make room; the broker keeps what comes")
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOTDIR, errno.EEXIST):
        return StoreReadOnly(f"{path} cannot be written ({error.strerror}): give the collector's user the right to")
    return StoreDamaged(f"{path} cannot be used ({error.strerror}): look at the disk")


def _is_fatal(error: duckdb.Error) -> bool:
    return isinstance(error, duckdb.FatalException | duckdb.InternalException) or "has been invalidated" in str(error)


def _held_message(text: str, path: Path) -> str:
    found = re.search(r"\(PID (\d+)\)", text)
    holder = f" (process {found[1]})" if found else ""
    return (
        f"{path} is held by another collector{holder}: stop it, or choose another folder under [store]; a store has "
        "one writer at a time, and the broker keeps what comes while the collector is stopped"
    )


def _first_line(text: str) -> str:
    return text.strip().splitlines()[0][:200] if text.strip() else "no reason given"
