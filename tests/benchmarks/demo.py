"""What ``breakhorn demo`` takes from start to end, beside simulating the same days alone, and what it leaves on disk.

    python -m tests.benchmarks.demo [--quick]

Processor time is that of the command and all its children: simulator, publisher with its broker, collector, figures.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from analysis.read import open_store

DAYS = 1 if "--quick" in sys.argv else 60


def ran(*arguments: str) -> tuple[float, float, str]:
    """Wall and processor time of a subcommand [s], and what it said on stderr."""
    began_s, before_s = time.perf_counter(), children_s()
    command = [sys.executable, "-m", "breakhorn", *arguments]
    done = subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)
    return time.perf_counter() - began_s, children_s() - before_s, done.stderr


def children_s() -> float:
    """Processor time of all children that have ended. [s]"""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main() -> None:
    """Print a line for each."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        base_s, base_cpu_s, _ = ran("simulate", str(folder / "alone"), "--days", str(DAYS))
        took_s, cpu_s, said = ran("demo", "--folder", str(folder / "demo"), "--days", str(DAYS))
        with open_store(folder / "demo" / "mill.toml") as store:
            samples = store.rows("SELECT count(*)::BIGINT AS samples FROM sample")[0]["samples"]
        parts = sum(path.stat().st_size for path in (folder / "demo" / "store").rglob("*.parquet"))
    print(f"simulate alone, {DAYS} days {base_s:8.1f} s {base_cpu_s:8.1f} s of CPU")
    print(f"demo, {DAYS} days {took_s:8.1f} s {cpu_s:8.1f} s of CPU, {cpu_s / base_cpu_s:.1f} × simulating alone")
    print(f"stages: {said.strip().splitlines()[-1]}")
    print(f"on disk: {parts / samples:.2f} bytes a sample of {samples:,}")


if __name__ == "__main__":
    main()
