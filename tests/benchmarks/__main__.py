"""Every benchmark, one after the other, and one table of what each is judged by.

    python -m tests.benchmarks                        all of them at full size: more than an hour, on a quiet machine
    python -m tests.benchmarks ingest readers         only these
    python -m tests.benchmarks --quick                small sizes: that all still runs; its figures say nothing

What a benchmark prints goes to stderr as it comes, the table to stdout. Goals hold for the full size and two quiet
cores; a quick run is not held against them. Exit 1 if a benchmark failed or printed no line that the table looks for.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.stand.index import LINES, Line

HERE = Path(__file__).parent
NAMES = tuple(sorted(path.stem for path in HERE.glob("*.py") if not path.stem.startswith(("__", "test_"))))
HEAD = ("benchmark", "what", "figure", "ratio", "goal")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """What a benchmark left.

    said
        Its standard output.
    """

    name: str
    status: int
    said: str
    took_s: float


def run(name: str, *, quick: bool) -> Ran:
    """Run one in a process of its own; show what it says while it does."""
    command = [sys.executable, "-u", "-m", f"tests.benchmarks.{name}", *(["--quick"] if quick else [])]
    started, said = time.monotonic(), []
    with subprocess.Popen(command, cwd=HERE.parent.parent, stdout=subprocess.PIPE, text=True) as process:
        for line in process.stdout or ():
            said.append(line)
            sys.stderr.write(f"  {line}")
    return Ran(name=name, status=process.returncode, said="".join(said), took_s=time.monotonic() - started)


def rows_of(ran: Ran, *, quick: bool, lines: Iterable[Line] = LINES) -> list[tuple[str, ...]]:
    """The rows of a benchmark; one that failed, or says nothing that is looked for, has one that says so."""
    if ran.status:
        return [(ran.name, f"failed with exit status {ran.status}", "", "", "")]
    return [
        (ran.name, line.what, *(line.cells(ran.said, judge=not quick) or ("not printed", "", "")))
        for line in lines
        if line.benchmark == ran.name and (line.quick or not quick)
    ]


def table(rows: Sequence[tuple[str, ...]]) -> str:
    """A table for people that is one for Markdown, too."""
    every = [HEAD, *rows]
    widths = [max(len(row[column]) for row in every) for column in range(len(HEAD))]
    lines = [
        "| " + " | ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) + " |" for row in every
    ]
    return "\n".join([lines[0], "| " + " | ".join("-" * width for width in widths) + " |", *lines[1:]])


def main(arguments: Sequence[str]) -> int:
    """Run what was named, print the table; 1 if anything failed or was not printed."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("names", nargs="*", metavar="NAME", choices=[*NAMES, []], help=f"of {', '.join(NAMES)}")
    parser.add_argument("--quick", action="store_true", help="small sizes: that all still runs")
    asked = parser.parse_args(arguments)
    rows: list[tuple[str, ...]] = []
    for name in asked.names or NAMES:
        sys.stderr.write(f"{name} …\n")
        ran = run(name, quick=asked.quick)
        sys.stderr.write(f"{name}: {ran.took_s:.0f} s\n")
        rows += rows_of(ran, quick=asked.quick)
    sys.stdout.write(table(rows) + "\n")
    return int(any(row[1].startswith("failed") or row[2] == "not printed" for row in rows))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
