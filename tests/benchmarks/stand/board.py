"""A few numbers that one process writes and others read, in a small file that they all have mapped into memory."""

from __future__ import annotations

import mmap
import struct
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

_LAYOUT = struct.Struct("=qqqqq")


class Seen(NamedTuple):
    """What a subscriber has done so far.

    messages, samples
        Safe, or acknowledged where nothing is kept.
    cpu_ns
        Processor time of its process. [ns]
    resident, most_resident
        Resident memory now and at most. [bytes]
    """

    messages: int = 0
    samples: int = 0
    cpu_ns: int = 0
    resident: int = 0
    most_resident: int = 0


class Board:
    """One writer, any number of readers."""

    def __init__(self, path: Path) -> None:
        """Map a file, which is made if it is not there."""
        if not path.exists():
            path.write_bytes(bytes(_LAYOUT.size))
        with path.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), _LAYOUT.size)

    def write(self, seen: Seen) -> None:
        """Show these numbers."""
        _LAYOUT.pack_into(self._map, 0, *seen)

    def read(self) -> Seen:
        """The numbers shown last."""
        return Seen(*_LAYOUT.unpack_from(self._map, 0))

    def close(self) -> None:
        """Let go of the file."""
        self._map.close()


def show_often(board: Board, counted: Callable[[], tuple[int, int]], *, every_s: float) -> Callable[[], None]:
    """Show what this process has done, again and again, until the function that is given back is called."""
    over = threading.Event()

    def show() -> None:
        messages, samples = counted()
        resident, most = _memory()
        board.write(Seen(messages, samples, time.process_time_ns(), resident, most))

    def keep_showing() -> None:
        while not over.wait(every_s):
            show()

    show()
    thread = threading.Thread(target=keep_showing, name="board", daemon=True)
    thread.start()

    def end() -> None:
        over.set()
        thread.join()
        show()

    return end


def _memory() -> tuple[int, int]:
    """Resident memory of this process, now and at most. [bytes]"""
    sizes = dict.fromkeys(("VmRSS", "VmHWM"), 0)
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        name, _, rest = line.partition(":")
        if name in sizes:
            sizes[name] = int(rest.split()[0]) * 1024
    return sizes["VmRSS"], sizes["VmHWM"]
