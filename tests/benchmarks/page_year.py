"""Prints how long the crew's page takes to paint a shift of a year of three machines:

python -m tests.benchmarks.page_year

``--mill PATH`` measures over a year that is there already (``tests.benchmarks.year`` says how one is made), ``--quick``
over a twentieth of one. The baseline reads the same machine's year of downtimes and states in DuckDB alone.
"""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb

from analysis.page.app import site
from analysis.page.settings import settings_of
from tests.benchmarks.year import write_year
from tests.page import Visitor

OPEN_PAGES = 50


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """By the clock, and of the processors. [ms]"""
    began, used = time.perf_counter(), time.process_time()
    work()
    return 1000 * (time.perf_counter() - began), 1000 * (time.process_time() - used)


def read_alone(published: Path) -> None:
    with duckdb.connect(str(published), read_only=True, config={"threads": 2}) as store:
        for view in ("downtime", "machine_state"):
            store.execute(f"FROM {view} WHERE machine = 'pm1'").fetchall()


def paint(visitor: Visitor, path: str, times: int = 1) -> None:
    for _ in range(times):
        answer = visitor.get(path)
        if answer.status_code != 200:
            raise RuntimeError(f"{path}: {answer.status_code}")


def measure(mill_toml: Path, folder: Path) -> None:
    """Print the table."""
    published = mill_toml.parent / "kept" / "published.duckdb"
    settings = replace(settings_of(mill_toml), folder=folder)
    rows = [("DuckDB alone: open, read a year of one machine", timed(lambda: read_alone(published)))]
    logging.getLogger("breakhorn.page").setLevel(logging.ERROR)  # nobody listens at the broker's port
    with Visitor(site(mill_toml, settings)) as visitor:
        shift = "/machine/pm1/shift"
        for name, path in (
            ("first paint after the page's start", shift),
            ("the same again", shift),
            ("another shift of the machine", f"{shift}/2025-03-10/night"),
            ("another machine", "/machine/pm2/shift"),
        ):
            rows.append((name, timed(partial(paint, visitor, path))))
        for name, path in ((f"{OPEN_PAGES} open pages painted anew", shift), (f"{OPEN_PAGES} pulses", "/pulse")):
            rows.append((name, timed(partial(paint, visitor, path, OPEN_PAGES))))
    baseline = rows[0][1][1]
    sys.stdout.write(f"{'what':<52} {'ms':>7} {'CPU ms':>7} {'CPU ÷ DuckDB':>13}\n")
    for name, (clock, used) in rows:
        sys.stdout.write(f"{name:<52} {clock:7.0f} {used:7.0f} {used / baseline:13.2f}\n")


def main() -> None:
    """Measure over the year that was named, or one made for it."""
    with TemporaryDirectory() as name:
        if "--mill" in sys.argv:
            mill_toml = Path(sys.argv[sys.argv.index("--mill") + 1])
        else:
            (Path(name) / "mill").mkdir()
            mill_toml = write_year(Path(name) / "mill", 18 if "--quick" in sys.argv else 365)
        measure(mill_toml, Path(name) / "page")


if __name__ == "__main__":
    main()
