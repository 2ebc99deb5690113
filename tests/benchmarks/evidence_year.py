"""Prints how long `breakhorn evidence` takes over a year, against the time DuckDB takes just to scan the samples.

python -m tests.benchmarks.evidence_year                   a year: 500 breaks, 200 tags each 10 s, 631 million samples
python -m tests.benchmarks.evidence_year --quick           a twentieth of it
python -m tests.benchmarks.evidence_year --store FOLDER    the same, and the store is kept for the next time
"""

from __future__ import annotations

import sys
from pathlib import Path

from analysis.read import connect, store_folder
from tests.year_of_samples import TAGS, breakhorn, samples_in, timed, year


def scan(mill_toml: Path) -> None:
    """The least anybody who looks at every sample must do: read times and values, and add them up."""
    connection = connect(store_folder(mill_toml))
    try:
        connection.execute(
            "SELECT count(*), sum(value), max(sampled_at), max(flags) FROM base.stored_sample"
        ).fetchall()
    finally:
        connection.close()


def command(mill_toml: Path) -> None:
    """The whole command, as a user starts it."""
    breakhorn(mill_toml, "evidence", "--json")


def main() -> None:
    """Write the store, time both, print."""
    with year(__doc__) as (mill_toml, days, repeats):
        samples = samples_in(days)
        sys.stdout.write(f"{samples / 1e6:.0f} M samples, {TAGS} tags, {days} days\n")
        base, whole = timed(scan, mill_toml, repeats), timed(command, mill_toml, repeats)
    for name, (clock, used) in (("scan alone", base), ("breakhorn evidence", whole)):
        sys.stdout.write(
            f"{name:<20} {clock:7.2f} s by the clock, {used:7.2f} s of the processors, {samples / clock / 1e6:7.1f} "
            f"M samples/s, {used / base[1]:5.1f} × the scan's processor time\n"
        )


if __name__ == "__main__":
    main()
