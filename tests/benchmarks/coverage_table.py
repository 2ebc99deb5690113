"""The coverage table of analysis/METHODS.md: python -m tests.benchmarks.coverage_table [ROUNDS [ROW…]]  (an hour)."""

from __future__ import annotations

import sys
import time

from tests.coverage_of import INTERVALS, coverage

SIZES = (5, 20, 100, 500)
ROUNDS = 1_000
SLOW = {
    "moment of a change (threefold)": 0.3,
    "pooled share, smallest of 4 crews": 0.5,
    "pooled minutes, one of 4 crews": 0.5,
}
"""Rows that take long: this part of the rounds."""


def main(rounds: int, wanted: list[str]) -> None:
    """Print one row an interval: actual coverage of 95 % intervals, without and with clustered breaks.

    wanted
        Only rows whose name contains one of these; empty: all.
    """
    print(
        f"| interval (nominal 95 %) | {' | '.join(f'{n}' for n in SIZES)} | {' | '.join(f'{n} cl.' for n in SIZES)} |"
    )
    print(f"| --- |{' ---: |' * (2 * len(SIZES))}")
    for name, covers in INTERVALS.items():
        if wanted and not any(word in name for word in wanted):
            continue
        started, rounds_here = time.monotonic(), round(rounds * SLOW.get(name, 1))
        cells = []
        for clustered in (False, True):
            for size in SIZES:
                found = coverage(covers, size, clustered=clustered, rounds=rounds_here, seed=20_260_301)
                cells.append(f"{100 * found.share:.1f}" if found.rounds >= rounds_here / 4 else "–")
        print(f"| {name} | {' | '.join(cells)} |", flush=True)
        print(f"{name}: {time.monotonic() - started:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    if "--quick" in sys.argv:
        main(4, [next(iter(INTERVALS))])
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else ROUNDS, sys.argv[2:])
