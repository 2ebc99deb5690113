"""Folders for what is needed once: gone when they are left; those of a killed process, when the next one is made."""

from __future__ import annotations

import os
import re
import shutil
import stat
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Literal

try:
    import fcntl
except ModuleNotFoundError:  # Windows: nothing is swept there
    fcntl = None  # type: ignore[assignment]

_OURS = re.compile(r"breakhorn-(?:load|survey|broker)-\w{8}")
_LOCK = "scratch.lock"
"""Locked for as long as the folder is in use. Process numbers would not do: a container has its own."""


class _Scratch(tempfile.TemporaryDirectory[str]):
    def __init__(self, prefix: str) -> None:
        super().__init__(prefix=prefix)
        unseen = Path(self.name, f"{_LOCK}.new")
        self._lock = unseen.open("wb")
        if fcntl is not None:
            with suppress(OSError):  # a file system without locks: nobody else gets one either
                fcntl.flock(self._lock, fcntl.LOCK_EX)
                unseen.rename(unseen.with_name(_LOCK))  # only now, so that nobody finds it unlocked

    def cleanup(self) -> None:
        self._lock.close()  # first: Windows deletes no open file
        super().cleanup()


def scratch(use: Literal["load", "survey", "broker"]) -> tempfile.TemporaryDirectory[str]:
    """A folder where the computer keeps such (``TMPDIR``), named after its use; close it."""
    for folder in Path(tempfile.gettempdir()).glob("breakhorn-*"):
        if fcntl is not None and _OURS.fullmatch(folder.name):
            with suppress(OSError):
                _sweep(folder)
    return _Scratch(f"breakhorn-{use}-")


def _sweep(folder: Path) -> None:
    """Take a folder away, if it is this user's and no longer in use; OSError if not."""
    found = folder.lstat()
    if stat.S_ISDIR(found.st_mode) and found.st_uid == os.geteuid():
        with (folder / _LOCK).open("r+b") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(folder, ignore_errors=True)
