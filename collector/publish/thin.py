"""Thins old days to one row a tag and minute, where nothing happened that anybody could want to see whole.

A row that stands for several bears the time of the first, their mean by time (each weighs as long as it held), their
flags, and the flag for thinned. So an integral over time is what it was; what is lost is the shape within the minute.
Values that the source called bad stay apart from good ones. A tag that was only 0 or 1 all that day keeps each change.
Never thinned are tags by which the sheet is tracked (``rebuild`` needs every scan of them), texts, and the time around
downtimes.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import duckdb

from collector.message import Flag
from collector.publish.part_file import make_file, paths_of, source_of
from collector.publish.tidied import Tidied
from collector.settings.model.service import StoreSettings
from collector.store import Store
from collector.store.parts import Part

Span = tuple[int, int]
"""From and to. [µs since 1970-01-01 UTC]"""

_MINUTE_US = 60_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinning:
    """Writes one closed day again, thinned.

    whole_tags
        Ids of the tags that keep every row.
    whole
        Machine to the spans of which every row is kept.
    machines
        Tag id to machine.
    """

    part: Part
    whole_tags: frozenset[int]
    whole: dict[str, tuple[Span, ...]]
    machines: dict[int, str]

    @property
    def name(self) -> str:
        """What is done."""
        return "thinned day"

    def make(self, connection: duckdb.DuckDBPyConnection, parts: Path, tidying: Path) -> Tidied:
        """Write the day's file anew."""
        day = self.part.day
        assert day is not None
        connection.execute("CREATE OR REPLACE TEMP TABLE whole_tag (tag_id INTEGER)")
        connection.execute("CREATE OR REPLACE TEMP TABLE whole_span (tag_id INTEGER, from_us BIGINT, to_us BIGINT)")
        connection.execute("INSERT INTO whole_tag SELECT unnest(?::INTEGER[])", [sorted(self.whole_tags)])
        spans = [
            (tag_id, from_us, to_us)
            for tag_id, machine in self.machines.items()
            if tag_id not in self.whole_tags
            for from_us, to_us in self.whole.get(machine, ())
        ]
        if spans:
            connection.execute(
                "INSERT INTO whole_span SELECT unnest(?::INTEGER[]), unnest(?::BIGINT[]), unnest(?::BIGINT[])",
                [list(column) for column in zip(*spans, strict=True)],
            )
        source = source_of(paths_of(parts, [self.part]))
        ends_us = _midnight_us(day + timedelta(days=1))
        rows = _THINNED.format(source=source, ends_us=ends_us, minute_us=_MINUTE_US, thinned=int(Flag.THINNED))
        made = make_file(connection, tidying / f"{day}.parquet", "value", f"({rows})", day=day, thinned=True)
        return Tidied(removed=[self.part], made=[made] if made else [])


def plan_thinning(store: Store, settings: StoreSettings, *, closed_before: date) -> Thinning | None:
    """The oldest day that is to be thinned; None if there is none, or if mill.toml does not ask for it."""
    if settings.thin_after_days is None or closed_before == date.min:
        return None
    before = closed_before - timedelta(days=settings.thin_after_days)
    due = [
        part
        for part in store.parts()
        if part.content == "value" and part.day is not None and part.day < before and not part.thinned
    ]
    if not due:
        return None
    part = min(due, key=lambda one: one.day or date.max)
    assert part.day is not None
    from_us, to_us = _midnight_us(part.day), _midnight_us(part.day + timedelta(days=1))
    machines = dict(store.connection.execute("SELECT tag_id, machine FROM base.tag").fetchall())
    return Thinning(
        part=part,
        whole_tags=_tracked(store),
        whole=_around_downtimes(store, settings, from_us, to_us),
        machines=machines,
    )


def _tracked(store: Store) -> frozenset[int]:
    """The tags of every role and sheet detector, in whatever state of mill.toml scans were tracked with."""
    tracked: set[tuple[str, str]] = set()
    for (text,) in store.connection.execute("SELECT text FROM base.configuration").fetchall():
        for machine in json.loads(text)["machines"]:
            tags = [tag for tag in machine["signals"].values() if tag]
            tags += [detector["tag"] for detector in machine["sheet_detectors"]]
            tracked |= {(machine["id"], tag) for tag in tags}
    rows = store.connection.execute("SELECT tag_id, machine, tag FROM base.tag").fetchall()
    return frozenset(tag_id for tag_id, machine, tag in rows if (machine, tag) in tracked)


def _around_downtimes(store: Store, settings: StoreSettings, from_us: int, to_us: int) -> dict[str, tuple[Span, ...]]:
    """By machine, the time around each downtime that reaches into a day, as the crew's notes have it."""
    before_us, after_us = round(settings.whole_before_min * 6e7), round(settings.whole_after_min * 6e7)
    rows = store.connection.execute(
        "SELECT machine, epoch_us(started_at) - ?::BIGINT AS from_us, coalesce(epoch_us(ended_at) + ?, ?) AS to_us "
        "FROM main.downtime WHERE from_us < ? AND to_us > ?",
        [before_us, after_us, to_us, to_us, from_us],
    ).fetchall()
    spans: dict[str, list[Span]] = {}
    for machine, start, end in rows:
        spans.setdefault(machine, []).append((start, end))
    return {machine: _joined(some) for machine, some in spans.items()}


def _joined(spans: list[Span]) -> tuple[Span, ...]:
    """Spans that overlap as one, so that no row is kept twice."""
    joined: list[Span] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return tuple(joined)


def _midnight_us(day: date) -> int:
    return (day - date(1970, 1, 1)).days * 86_400_000_000


_THINNED = """
WITH timed AS (
    SELECT
        tag_id, sampled_at, epoch_us(sampled_at) AS at_us, value, flags,
        lead(epoch_us(sampled_at), 1, {ends_us}) OVER later - epoch_us(sampled_at) AS held_us,
        lag(value) OVER later AS value_before,
        row_number() OVER later AS number
    FROM {source}
    WINDOW later AS (PARTITION BY tag_id ORDER BY sampled_at)
),
kept_tag AS (FROM whole_tag),
truth AS (
    SELECT tag_id FROM timed GROUP BY tag_id HAVING bool_and(coalesce(value IN (0, 1), TRUE)) AND count(value) > 0
),
around AS (
    SELECT t.tag_id, t.sampled_at
    FROM timed AS t
    ASOF JOIN whole_span AS s ON s.tag_id = t.tag_id AND t.at_us >= s.from_us
    WHERE t.at_us < s.to_us
),
placed AS (
    SELECT
        t.*,
        k.tag_id IS NOT NULL OR a.tag_id IS NOT NULL AS whole,
        b.tag_id IS NOT NULL AS truth,
        at_us // {minute_us} AS minute,
        value IS NULL AS bad
    FROM timed AS t
    LEFT JOIN kept_tag AS k ON k.tag_id = t.tag_id
    LEFT JOIN truth AS b ON b.tag_id = t.tag_id
    LEFT JOIN around AS a ON a.tag_id = t.tag_id AND a.sampled_at = t.sampled_at
),
runs AS (
    SELECT
        *,
        sum(CASE WHEN bad <> coalesce(bad_before, bad) OR whole_before THEN 1 ELSE 0 END)
            OVER (PARTITION BY tag_id ORDER BY sampled_at ROWS UNBOUNDED PRECEDING) AS run
    FROM (
        SELECT
            *,
            lag(bad) OVER (PARTITION BY tag_id ORDER BY sampled_at) AS bad_before,
            coalesce(lag(whole) OVER (PARTITION BY tag_id ORDER BY sampled_at), FALSE) AS whole_before
        FROM placed
    )
)
SELECT tag_id, sampled_at, value, flags FROM runs WHERE whole
UNION ALL
SELECT tag_id, sampled_at, value, flags
FROM runs
WHERE NOT whole AND truth AND (number = 1 OR value IS DISTINCT FROM value_before)
UNION ALL
SELECT
    tag_id,
    min(sampled_at),
    CASE
        WHEN min(value) = max(value) THEN min(value)
        ELSE sum(value * held_us) / sum(held_us)
    END,
    (bit_or(flags) | CASE WHEN count(*) > 1 THEN {thinned} ELSE 0 END)::UTINYINT
FROM runs
WHERE NOT whole AND NOT truth
GROUP BY tag_id, minute, run
"""
