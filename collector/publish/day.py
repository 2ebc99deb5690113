"""Days of the archive: UTC, so that a day is always as long as the next."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import duckdb

Day = date

_DAY_US = 86_400_000_000

_STILL_OPEN = timedelta(hours=1)
"""A day closes when the data are this far beyond its end: most that comes late has come by then."""


def days_of_source(connection: duckdb.DuckDBPyConnection, source: str) -> dict[Day, int]:
    """How many rows a source has of each day."""
    rows = connection.execute(
        f"SELECT epoch_us(sampled_at) // {_DAY_US}, count(*) FROM {source} GROUP BY 1 ORDER BY 1"  # noqa: S608
    ).fetchall()
    return {date(1970, 1, 1) + timedelta(days=number): count for number, count in rows}


def within(source: str, *days: Day, inside: bool = True) -> str:
    """The rows of a source that lie in the days, or outside all of them, as SQL after FROM."""
    spans = " OR ".join(
        f"(sampled_at >= '{day}T00:00:00Z' AND sampled_at < '{day + timedelta(days=1)}T00:00:00Z')" for day in days
    )
    return f"(FROM {source} WHERE {'' if inside else 'NOT '}({spans}))"


def closed_before(horizon_us: int | None) -> Day:
    """The first day that is still open when data reach to a time. [µs]"""
    if horizon_us is None:
        return date.min
    return (datetime.fromtimestamp(horizon_us / 1e6, UTC) - _STILL_OPEN).date()
