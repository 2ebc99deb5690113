"""Folders for what is needed once: gone when they are left; those of a killed process, when the next one is made."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from pathlib import Path
from typing import Literal

_OURS = re.compile(r"breakhorn-(?:load|survey|broker)-(\d+)-\w{8}")


def scratch(use: Literal["load", "survey", "broker"]) -> tempfile.TemporaryDirectory[str]:
    """A folder where the computer keeps such (``TMPDIR``), named after its use and this process; close it."""
    for folder in Path(tempfile.gettempdir()).glob("breakhorn-*"):
        named = _OURS.fullmatch(folder.name)
        if named and not _lives(int(named[1])):
            shutil.rmtree(folder, ignore_errors=True)
    return tempfile.TemporaryDirectory(prefix=f"breakhorn-{use}-{os.getpid()}-")


def _lives(process: int) -> bool:
    if os.name == "nt":
        return True  # there, asking in this way would end the process
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
