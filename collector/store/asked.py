"""Whether somebody makes a backup of a store: then no file that was listed may go."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

LOCK = "held"


def asked_folder(store: Path) -> Path:
    """Where a backup and the writer of a store meet."""
    return store / "backup"


def is_held(store: Path) -> bool:
    """Whether a backup that is alive holds the parts of a store."""
    try:
        handle = os.open(asked_folder(store) / LOCK, os.O_RDWR)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(handle)
    return False
