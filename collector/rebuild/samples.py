"""Reads a machine's stored samples back as scans, in order of time, a day at a time: memory does not grow with them.

All role values are read. Of the other tags only the times matter, and of those only the first and last in each stretch
of half ``stale_after_s``, or of half the shortest heartbeat: no silence that counts can hide in one, and each keeps its
own ends.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from heapq import merge
from itertools import groupby
from operator import attrgetter, itemgetter

from collector.message import Flag, Scan, Value
from collector.sheet import Rules
from collector.store import Store
from collector.store.opening import PARTS
from collector.store.parts import COLUMNS, HOT, Content, part_path, sql_list

DAY_US = 86_400_000_000
_ROWS_AT_ONCE = 20_000
_USUAL_BUCKET_MS = 30_000

_Row = tuple[int, int, float | None, str | None, int]
"""Time [ms], tag id, value, text, flags."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """Which tags of a machine are to be read.

    role_tags
        Name of each role tag by its id.
    source_of
        Number of the source that brings a tag, for role tags and all others that keep the machine's data alive.
    """

    role_tags: Mapping[int, str]
    source_of: Mapping[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """The time that is read, from the oldest sample to the newest. [µs]"""

    first_us: int
    last_us: int


def sources_of(store: Store, machine: str, roles: frozenset[str]) -> Sources:
    """What is to be read of a machine, by what the store knows of where its tags came from.

    A tag of which it knows nothing (a store of an earlier version) is taken to come from a source with role tags.
    """
    connection = store.connection
    with store.errors():
        tags = dict(connection.execute("SELECT tag_id, tag FROM base.tag WHERE machine = ?", [machine]).fetchall())
        rows = connection.execute(
            "SELECT s.configuration_id, s.tag_id, s.source FROM base.tag_source AS s "
            "SEMI JOIN base.tag AS t ON t.tag_id = s.tag_id AND t.machine = ? "
            "ORDER BY s.configuration_id = ?, s.configuration_id, s.source DESC",
            [machine, store.configuration_id],
        ).fetchall()
    role_tags = {tag_id: tag for tag_id, tag in tags.items() if tag in roles}
    of_roles = {(configuration, source) for configuration, tag_id, source in rows if tag_id in role_tags}
    known = {tag_id: source for configuration, tag_id, source in rows if (configuration, source) in of_roles}
    usual = min((known[tag_id] for tag_id in role_tags if tag_id in known), default=0)
    heard_of = {tag_id for _, tag_id, _ in rows}
    return Sources(role_tags=role_tags, source_of=dict.fromkeys(tags.keys() - heard_of, usual) | known)


def span_of(store: Store, machine: str) -> Span | None:
    """From when to when there are samples of a machine; None if there are none."""
    with store.errors():
        row = store.connection.execute(_SPAN, [machine]).fetchone()
    return None if row is None or row[0] is None else Span(first_us=row[0], last_us=row[1])


_SPAN = """
SELECT epoch_us(least(min(t.first_at), min(h.first_at))), epoch_us(greatest(max(t.last_at), max(h.last_at)))
FROM base.tag AS t
LEFT JOIN (
    SELECT tag_id, min(sampled_at) AS first_at, max(sampled_at) AS last_at
    FROM (SELECT tag_id, sampled_at FROM base.hot_sample UNION ALL SELECT tag_id, sampled_at FROM base.hot_text)
    GROUP BY tag_id
) AS h ON h.tag_id = t.tag_id
WHERE t.machine = ?
"""


def days_of(span: Span) -> range:
    """The days (UTC, since 1970) that a span touches."""
    return range(span.first_us // DAY_US, span.last_us // DAY_US + 1)


def scans_of_day(store: Store, rules: Rules, sources: Sources, day: int, *, heard_at_most_ms: int) -> Iterator[Scan]:
    """The scans of one day in order of time; a role value that came late is in its place.

    heard_at_most_ms
        Nothing was received after this: what bears a later time has not been put in order yet.
    """
    with store.errors():
        alive = [
            Scan(rules.machine, at_ms, {}, source, min(at_ms, heard_at_most_ms))
            for source, at_ms in _heartbeats(store, rules, sources, day)
        ]
        told = _role_scans(store, rules.machine, sources, day, heard_at_most_ms)
        yield from merge(alive, told, key=attrgetter("at_ms"))


def _role_scans(store: Store, machine: str, sources: Sources, day: int, heard_at_most_ms: int) -> Iterator[Scan]:
    source_of, role_tags = sources.source_of, sources.role_tags
    for at_ms, rows in groupby(_rows(store, list(role_tags), day), key=itemgetter(0)):
        heard_ms = min(at_ms, heard_at_most_ms)
        said: dict[tuple[int, bool], dict[str, Value]] = {}
        for _, tag_id, value, text, flags in rows:
            source, initial = source_of.get(tag_id, 0), bool(flags & Flag.INITIAL)
            said.setdefault((source, initial), {})[role_tags[tag_id]] = value if text is None else text
        for (source, initial), values in said.items():
            yield Scan(machine, at_ms, values, source, heard_ms, 0, initial)


def late_values(store: Store, sources: Sources, day: int) -> int:
    """How many role values of a day had come too late for the tracker when they came."""
    late = " UNION ALL ".join(
        f"SELECT 1 FROM {_rows_of(store, content, day)} "  # noqa: S608 - names of ours
        f"WHERE flags & {int(Flag.LATE)} <> 0 AND tag_id IN (SELECT unnest($tags::INTEGER[]))"
        for content in COLUMNS
    )
    with store.errors():
        return len(store.connection.execute(late, {"tags": list(sources.role_tags)}).fetchall())


def _rows(store: Store, tag_ids: list[int], day: int) -> Iterator[_Row]:
    numbers, texts = (_rows_of(store, content, day) for content in COLUMNS)
    found = store.connection.execute(
        f"SELECT epoch_ms(sampled_at) AS at_ms, tag_id, value, NULL, flags FROM {numbers} "  # noqa: S608 - names of ours
        "WHERE tag_id IN (SELECT unnest($tags::INTEGER[])) "
        f"UNION ALL SELECT epoch_ms(sampled_at), tag_id, NULL, text, flags FROM {texts} "
        "WHERE tag_id IN (SELECT unnest($tags::INTEGER[])) ORDER BY at_ms",
        {"tags": tag_ids},
    )
    while rows := found.fetchmany(_ROWS_AT_ONCE):
        yield from rows


def _heartbeats(store: Store, rules: Rules, sources: Sources, day: int) -> list[tuple[int, int]]:
    """Sources and the times [ms] at which they were heard with other tags, in order of time: scans without a value."""
    others = [(tag_id, source) for tag_id, source in sources.source_of.items() if tag_id not in sources.role_tags]
    numbers, texts = (_rows_of(store, content, day) for content in COLUMNS)
    return store.connection.execute(
        "WITH other AS (SELECT unnest($tags::INTEGER[]) AS tag_id, unnest($sources::INTEGER[]) AS source), "  # noqa: S608
        "heard AS (SELECT source, epoch_ms(sampled_at) AS at_ms FROM "
        f"(SELECT tag_id, sampled_at FROM {numbers} UNION ALL SELECT tag_id, sampled_at FROM {texts}) "
        "JOIN other USING (tag_id)) "
        "SELECT source, unnest([min(at_ms), max(at_ms)]) AS at_ms FROM heard GROUP BY source, heard.at_ms // $bucket "
        "ORDER BY at_ms",
        {
            "tags": [tag_id for tag_id, _ in others],
            "sources": [source for _, source in others],
            "bucket": _stretch_ms(rules),
        },
    ).fetchall()


def _stretch_ms(rules: Rules) -> int:
    stale_ms = rules.stale_after_ms or 2 * _USUAL_BUCKET_MS
    return max(min([stale_ms, *rules.heartbeats.values()]) // 2, 1)


def _rows_of(store: Store, content: Content, day: int) -> str:
    """The stored rows of a day, as SQL after FROM; only the parts that may hold one are looked at."""
    from_us, to_us = day * DAY_US, (day + 1) * DAY_US
    parts = [part for part in store.parts() if part.content == content]
    near = [
        part_path(store.folder / PARTS, part) for part in parts if part.first_us < to_us and part.last_us >= from_us
    ]
    columns, sources = COLUMNS[content], [HOT[content]]
    if near:
        sources.append(f"(FROM read_parquet({sql_list(near)}) ANTI JOIN base.replaced USING (tag_id, sampled_at))")
    within = f"sampled_at >= make_timestamptz({from_us}) AND sampled_at < make_timestamptz({to_us})"
    every = " UNION ALL ".join(f"SELECT {columns} FROM {source} WHERE {within}" for source in sources)  # noqa: S608
    return f"({every})"
