"""A rebuild in a process of its own that is killed at a step: ``python -m tests.rebuild_killed FOLDER STEP``."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

from collector.rebuild import rebuild
from collector.store import Store
from tests.rebuilding import LATER_MS, mill_of
from tests.streams import ELLERHOLM

if __name__ == "__main__":
    at = sys.argv[2]

    def step(name: str) -> None:
        """Die where it was asked for."""
        if name == at:
            os.kill(os.getpid(), signal.SIGKILL)

    mill = mill_of(ELLERHOLM)
    with Store.open(Path(sys.argv[1]) / "store", mill, now_ms=0) as store:
        rebuild(store, mill, "pm2", now_ms=LATER_MS, step=step)
