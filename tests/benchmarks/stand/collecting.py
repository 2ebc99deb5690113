"""A collector whose numbers others can read while it works.

    python -m tests.benchmarks.stand.collecting MILL BOARD EVERY_S [PROFILE]

It ends when its standard input does. With PROFILE, a folder, what its threads did is left there for ``pstats``.
"""

from __future__ import annotations

import cProfile
import sys
import threading
import time
from pathlib import Path

from collector.service.serve import Collector, serve
from collector.settings import load_mill
from tests.benchmarks.stand.board import Board, show_often


def main() -> None:
    """Collect until nobody wants it any more."""
    mill = load_mill(Path(sys.argv[1]))
    board, every_s = Board(Path(sys.argv[2])), float(sys.argv[3])
    profile = Path(sys.argv[4]) if len(sys.argv) > 4 else None

    def ready(collector: Collector) -> None:
        end = show_often(board, lambda: (collector.counts.messages, collector.counts.samples), every_s=every_s)

        def wait() -> None:
            while not collector.connected:
                time.sleep(0.01)
            print("ready", flush=True)
            sys.stdin.read()
            end()
            collector.stop()

        threading.Thread(target=wait, daemon=True).start()

    if profile is None:
        serve(mill, version="benchmark", ready=ready)
        return
    main_thread = cProfile.Profile()
    main_thread.runcall(serve, mill, version="benchmark", ready=ready)
    main_thread.dump_stats(profile / "main.prof")


if __name__ == "__main__":
    main()
