"""Exposure table, judging and fit of 90 days of 40 tags: by the clock and of the processor, against reading alone.

python -m tests.benchmarks.risk_speed            some minutes, most of them to make the store
python -m tests.benchmarks.risk_speed --quick    a smoke test
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

from analysis.read import open_store
from analysis.risk.card import fit
from analysis.risk.exposure import build
from analysis.risk.judge import judge, judge_with_null
from analysis.risk.settings import RiskSettings
from tests.risk_mill import planted_mill
from tests.risk_store import store_of

R = TypeVar("R")
READ = "SELECT tag, epoch_us(sampled_at) // 60000000 AS minute, avg(value) FROM sample GROUP BY ALL"


def timed(name: str, work: Callable[[], R], taken: dict[str, float]) -> R:
    """Print how long some work took by the clock and of the processor, and keep the latter. [s]"""
    clock, processor = time.perf_counter(), time.process_time()
    done = work()
    clock, taken[name] = time.perf_counter() - clock, time.process_time() - processor
    sys.stdout.write(f"{name:<46}{clock:>9.2f} s clock{taken[name]:>9.2f} s processor\n")
    return done


def main() -> None:
    """Measure and print."""
    days, tags = (14, 4) if "--quick" in sys.argv else (90, 40)
    mill = planted_mill(3, days=days, tags=tags, per_day=4)
    taken: dict[str, float] = {}
    with TemporaryDirectory() as name:
        path = store_of(mill, Path(name))
        with open_store(path) as store:
            sys.stdout.write(f"{days} days, {tags} tags, {len(mill.past.losses)} breaks\n")
            con = store.connection
            read = timed("minute means of all samples alone", lambda: con.execute(READ).fetchnumpy(), taken)
            exposure = timed("exposure table", lambda: build(con, "pm2", RiskSettings()), taken)
        judgement = timed("judging, with the challenger", lambda: judge(exposure), taken)
        timed("fit", lambda: fit(exposure, judgement, made_ms=0), taken)
        timed("judging again, with unrelated tags beside it", lambda: judge_with_null(exposure), taken)
    needed = taken["exposure table"] + taken["judging, with the challenger"] + taken["fit"]
    base = taken["minute means of all samples alone"]
    sys.stdout.write(
        f"{len(read['tag']):,} minute means; exposure, judging and fit: {needed:.1f} s of processor time, "
    )
    sys.stdout.write(f"{needed / base:.1f} times reading alone\n")


if __name__ == "__main__":
    main()
