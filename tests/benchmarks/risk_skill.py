"""Prints how much of the skill that could be had the risk models reach in the demo mill, whose true hazard is known.

breakhorn demo --days 180 --folder demo180
python -m tests.benchmarks.risk_skill demo180

Without a folder it simulates and loads days of its own. The hazard is of our own making: the figures say how well the
models find what is there to be found, and nothing about a real machine.
"""

from __future__ import annotations

import gzip
import json
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from numpy.typing import NDArray

from analysis.read import open_store
from analysis.risk.exposure import Exposure, build
from analysis.risk.forecast import ADDITIVE, BEST_TAG, BOOSTED
from analysis.risk.judge import Judgement, judge
from analysis.risk.settings import MINUTE_MS, RiskSettings
from collector.load import load
from collector.message import Message
from collector.publish import publish
from collector.settings import load_mill
from collector.store import Store
from replay_data.simulator import MILL_TOML, simulate
from tests.risk_ceiling import share_of_achievable

QUICK_DAYS = 16
SETTINGS = RiskSettings()


def simulated(folder: Path, days: int) -> dict[int, float]:
    """Simulate and load some days into a folder; gives the true hazard by minute. [breaks an hour]"""
    (folder / "mill.toml").write_text(MILL_TOML.read_text(encoding="utf-8"), encoding="utf-8")
    mill = load_mill(folder / "mill.toml")
    hazard: dict[int, float] = {}
    with Store.open(mill.store.folder, mill, now_ms=0) as store:
        store.begin_run(0, "benchmark")
        for day in simulate(days=days, seed=1):
            messages = (Message(received_ms=at, topic=topic, payload=payload) for at, topic, payload in day.messages)
            load(mill, store, messages, flush=False)
            for row in day.truth:
                hazard |= _by_minute(row)  # type: ignore[arg-type]  # rows of truth are plain JSON
        publish(store, mill, now_ms=0)
    return hazard


def recorded(folder: Path) -> dict[int, float]:
    """The true hazard of a demo's folder, by the minute that it held for. [breaks an hour]"""
    hazard: dict[int, float] = {}
    with gzip.open(folder / "stream" / "truth" / "truth.jsonl.gz", "rt", encoding="utf-8") as file:
        for line in file:
            hazard |= _by_minute(json.loads(line))
    return hazard


def _by_minute(row: dict[str, object]) -> dict[int, float]:
    if row["table"] != "hazard":
        return {}
    first = int(str(row["started_ms"])) // MINUTE_MS
    per_h = row["per_h"]
    assert isinstance(per_h, list)
    return {first + n: float(rate) for n, rate in enumerate(per_h) if rate}


def truth_of(exposure: Exposure, hazard: dict[int, float]) -> NDArray[np.float64]:
    """The log of the true hazard of the minute that has just ended, at each row."""
    rates = [hazard.get(int(minute), np.nan) for minute in exposure.rows.minute]
    found = np.log(np.array(rates))
    filled: NDArray[np.float64] = np.where(np.isnan(found), np.nanmedian(found), found)
    return filled


def say(judgement: Judgement) -> None:
    """The verdict, what each reached, and its share of what the truth reached."""
    sys.stdout.write(f"{judgement.verdict.sentence}\n\n")
    sys.stdout.write(f"{'forecaster':<26}{'ranking':>9}{'precision':>11}{'warned':>9}{'at budget':>11}\n")
    for c in judgement.contenders:
        line = f"{c.name:<26}{c.area.value:>9.3f}{c.average_precision.value:>11.3f}{len(c.hits):>9}"
        sys.stdout.write(f"{line}{len(c.hindsight):>11}\n")
    for name in (ADDITIVE, BOOSTED, BEST_TAG):
        shares = share_of_achievable(judgement, name)
        said = ", ".join(f"{what} {share:.0%}" for what, share in shares.items())
        sys.stdout.write(f"of what could be had, {name}: {said}\n")


def main() -> None:
    """Judge a demo's folder, or, with ``--quick``, some days simulated for it."""
    folders = [Path(argument) for argument in sys.argv[1:] if not argument.startswith("-")]
    with TemporaryDirectory() as name:
        folder = folders[0] if folders else Path(name)
        hazard = recorded(folder) if folders else simulated(folder, QUICK_DAYS if "--quick" in sys.argv else 60)
        with open_store(folder / "mill.toml") as store:
            exposure = build(store.connection, "pm2", SETTINGS)
        say(judge(exposure, truth=truth_of(exposure, hazard)))


if __name__ == "__main__":
    main()
