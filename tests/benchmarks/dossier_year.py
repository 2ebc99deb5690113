"""Prints how long `breakhorn dossier` takes over a year, against the time DuckDB takes to scan one day's samples.

python -m tests.benchmarks.dossier_year                   a year: 500 breaks, 200 tags each 10 s, 631 million samples
python -m tests.benchmarks.dossier_year --quick           a twentieth of it
python -m tests.benchmarks.dossier_year --store FOLDER    the same, and the store is kept for the next time

It reads the break itself, ten quiet runs on days of their own, and a few tags before the 150 newest coded breaks.
"""

from __future__ import annotations

import sys
from pathlib import Path

import duckdb

from analysis.read import PUBLISHED, connect, store_folder
from tests.year_of_samples import DAY_MS, FIRST_MS, TAGS, breakhorn, samples_in, timed, year

CODES = ("PR-DRW", "PR-FLT", "PR-PCK", "SA-BRK", "CH-RET")


def code_breaks(mill_toml: Path) -> int:
    """Give every break of a store a cause, drawn in turn, unless that was done before; gives their number."""
    with duckdb.connect(str(store_folder(mill_toml) / PUBLISHED)) as connection:
        for code in CODES:
            known = connection.execute("SELECT 1 FROM base.cause WHERE code = ?", [code]).fetchone()
            if known is None:
                connection.execute("INSERT INTO base.cause (code, section, name) VALUES (?, 'press', ?)", [code, code])
        connection.execute(
            "INSERT INTO base.note (receipt, note_id, machine, kind, noted_at, received_at, downtime_id, cause) "
            "SELECT row_number() OVER (ORDER BY started_at), 'note-' || downtime_id, machine, 'cause', started_at, "
            "started_at, downtime_id, ?[1 + (epoch_ms(started_at) // 1000) % 5] FROM base.downtime "
            "WHERE NOT EXISTS (SELECT 1 FROM base.note)",
            [list(CODES)],
        )
        (number,) = connection.execute("SELECT count(*) FROM base.note").fetchone() or (0,)
    return int(number)


def scan_day(mill_toml: Path) -> None:
    """What the samples of one day cost, with the whole archive named."""
    connection = connect(store_folder(mill_toml))
    try:
        connection.execute(
            "SELECT count(*), sum(value) FROM base.stored_sample WHERE sampled_at >= make_timestamptz(?::BIGINT) "
            "AND sampled_at < make_timestamptz(?::BIGINT)",
            [(FIRST_MS + 2 * DAY_MS) * 1000, (FIRST_MS + 3 * DAY_MS) * 1000],
        ).fetchall()
    finally:
        connection.close()


def command(mill_toml: Path) -> None:
    """The whole command, as a user starts it."""
    breakhorn(mill_toml, "dossier", "last")


def main() -> None:
    """Write the store, time both, print."""
    with year(__doc__) as (mill_toml, days, repeats):
        coded = code_breaks(mill_toml)
        sys.stdout.write(f"{samples_in(days) / 1e6:.0f} M samples, {TAGS} tags, {days} days, {coded} coded breaks\n")
        base, whole = timed(scan_day, mill_toml, repeats), timed(command, mill_toml, repeats)
    for name, (clock, used) in (("scan of one day", base), ("breakhorn dossier", whole)):
        sys.stdout.write(
            f"{name:<18} {clock:5.2f} s by the clock, {used:5.2f} s of processors, {used / base[1]:.1f} × the scan\n"
        )


if __name__ == "__main__":
    main()
