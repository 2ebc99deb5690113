"""The one writer: takes a batch and commits all of it in one transaction, or nothing."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import duckdb

from collector.batch import Batch
from collector.message import Rejected
from collector.settings import Mill
from collector.store import Store
from collector.store.opening import pack_deliveries, unpack_deliveries
from collector.writer.context_rows import ContextRows, Receipt
from collector.writer.counts import Counts, Days
from collector.writer.fact_rows import FactRows, production_row
from collector.writer.rows import insert, placeholder
from collector.writer.sample_rows import SampleRows
from collector.writer.tagbook import TagBook

REJECTED_A_DAY = 1_000
"""Rejected messages of one day that are kept; all are counted."""

PAYLOAD_KEPT = 4_096
"""How much is kept of a rejected message's payload. [bytes]"""

_FORGET_EVERY = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Committed:
    """What a batch did.

    new, repeated, replaced
        Samples whose key was new; that were there with the same value, and dropped; that took another value's place.
    late, out_of_range, bad
        Of the samples written, those with the flag.
    receipts
        The answers to the notes of the batch.
    refused
        Values that were not stored because their tag was one too many, a row for each scan that held some.
    """

    new: int = 0
    repeated: int = 0
    replaced: int = 0
    late: int = 0
    out_of_range: int = 0
    bad: int = 0
    receipts: tuple[Receipt, ...] = ()
    refused: tuple[Rejected, ...] = ()


@dataclass(slots=True, kw_only=True)
class _Memory:
    """What the writer remembers of the store between batches, so as not to ask for it each time."""

    samples: SampleRows
    context: ContextRows
    trackers: set[str]
    under_way: set[str]
    batch: int
    deliveries: deque[tuple[int, int]]
    rejected: dict[date, int] = field(default_factory=dict)


class Writer:
    """Commits batches to a store."""

    def __init__(self, store: Store, mill: Mill) -> None:
        """Write to an open store."""
        self._store, self._mill = store, mill
        self._days = Days(mill.zone)
        self._memory: _Memory | None = None

    def commit(self, batch: Batch) -> Committed:
        """Commit a batch: when this returns, all of it is durable.

        Raises
        ------
        StoreFull, StoreDead, StoreConflict, StoreReadOnly, StoreDamaged
            Nothing of the batch was stored then, and after StoreFull it may be committed again. Only after StoreDead
            it may be stored all the same: opening the store again shows it.
        """
        if self._memory is None:
            with self._store.errors():
                self._memory = self._recall()
        memory, self._memory = self._memory, None
        with self._store.transaction() as connection:
            done = self._write(connection, batch, memory)
        self._memory = memory
        return done

    def _recall(self) -> _Memory:
        """Read from the store what there is to remember: at first, and after a batch that failed."""
        connection = self._store.connection
        known = connection.execute(_KNOWN_TAGS).fetchall()
        sources = connection.execute(_KNOWN_SOURCES, [self._store.configuration_id]).fetchall()
        tags_at_most = self._mill.store.tags_at_most
        book = TagBook(self._mill, known, sources, tags_at_most=tags_at_most)
        packed = connection.execute("SELECT batch, deliveries FROM base.delivery ORDER BY batch").fetchall()
        deliveries = deque((batch, len(list(unpack_deliveries(blob)))) for batch, blob in packed)
        return _Memory(
            samples=SampleRows(store=self._store, book=book, tags_at_most=tags_at_most),
            context=ContextRows(connection, frozenset(cause.code for cause in self._mill.causes)),
            trackers=_machines(connection, "tracker"),
            under_way=_machines(connection, "production_under_way"),
            batch=deliveries[-1][0] if deliveries else 0,
            deliveries=deliveries,
        )

    def _write(self, connection: duckdb.DuckDBPyConnection, batch: Batch, memory: _Memory) -> Committed:
        counts, facts = Counts(), FactRows()
        facts.take(batch.facts, self._days.of)
        refused: list[Rejected] = []
        for day, scans in self._days.split(batch.scans):
            refused += memory.samples.write(scans, facts.late, day, counts)
        for block in batch.blocks:
            for day, part in self._days.split_block(block):
                refused += memory.samples.write_block(part, facts.late, day, counts)
        facts.write(connection)
        receipts = memory.context.write(batch.context)
        self._keep_rejected(connection, [*batch.rejected, *refused], memory, counts)
        if batch.messages:
            counts.of_day(self._days.of(batch.last_received_ms)).messages += batch.messages
        counts.write(connection, self._store.configuration_id)
        _keep_states(connection, batch, memory)
        self._keep_deliveries(connection, batch.deliveries, memory)
        return _committed(counts, receipts, refused)

    def _keep_rejected(
        self, connection: duckdb.DuckDBPyConnection, rejected: Sequence[Rejected], memory: _Memory, counts: Counts
    ) -> None:
        rows = []
        for item in rejected:
            day = self._days.of(item.received_ms)
            counts.of_day(day).rejected += 1
            if day not in memory.rejected:
                memory.rejected[day] = _rejected_on(connection, *self._days.bounds(day))
            memory.rejected[day] += 1
            if memory.rejected[day] <= REJECTED_A_DAY:
                kept = item.payload[:PAYLOAD_KEPT]
                rows.append((item.received_ms, item.topic, item.reason, kept, len(item.payload)))
        insert(connection, "rejected_message", ("received_at", "topic", "reason", "payload", "size_bytes"), rows)

    def _keep_deliveries(
        self, connection: duckdb.DuckDBPyConnection, deliveries: list[tuple[int, bytes]], memory: _Memory
    ) -> None:
        """Keep the last ones, at least as many as the broker may have unacknowledged."""
        if not deliveries:
            return
        memory.batch += 1
        insert(connection, "delivery", ("batch", "deliveries"), [(memory.batch, pack_deliveries(deliveries))])
        memory.deliveries.append((memory.batch, len(deliveries)))
        if memory.batch % _FORGET_EVERY == 0:
            kept = sum(count for _, count in memory.deliveries)
            while kept - memory.deliveries[0][1] >= self._mill.broker.window:
                kept -= memory.deliveries.popleft()[1]
            connection.execute("DELETE FROM base.delivery WHERE batch < ?", [memory.deliveries[0][0]])


_KNOWN_TAGS = """
SELECT t.tag_id, t.machine, t.tag, epoch_ms(greatest(t.last_at, s.last_at, x.last_at))
FROM base.tag AS t
LEFT JOIN (SELECT tag_id, max(sampled_at) AS last_at FROM base.hot_sample GROUP BY tag_id) AS s ON s.tag_id = t.tag_id
LEFT JOIN (SELECT tag_id, max(sampled_at) AS last_at FROM base.hot_text GROUP BY tag_id) AS x ON x.tag_id = t.tag_id
"""


_KNOWN_SOURCES = "SELECT tag_id, source FROM base.tag_source WHERE configuration_id = ?"


def _machines(connection: duckdb.DuckDBPyConnection, table: str) -> set[str]:
    rows = connection.execute(f"SELECT machine FROM base.{table}").fetchall()  # noqa: S608 - names of ours
    return {machine for (machine,) in rows}


def _rejected_on(connection: duckdb.DuckDBPyConnection, starts_ms: int, ends_ms: int) -> int:
    row = connection.execute(
        "SELECT count(*) FROM base.rejected_message WHERE epoch_ms(received_at) >= ? AND epoch_ms(received_at) < ?",
        [starts_ms, ends_ms],
    ).fetchone()
    return int(row[0]) if row else 0


def _keep_states(connection: duckdb.DuckDBPyConnection, batch: Batch, memory: _Memory) -> None:
    """Keep the trackers' states, and what each machine has under way, in the place of what was kept before."""
    _replace(connection, "tracker", ("state",), {m: (state,) for m, state in batch.trackers.items()}, memory.trackers)
    nothing = dict.fromkeys(_UNDER_WAY)
    rows = {machine: production_row(made) if made else nothing for machine, made in batch.under_way.items()}
    known = {
        machine: tuple(row[column] for column in _UNDER_WAY)
        for machine, row in rows.items()
        if row is not nothing or machine in memory.under_way
    }
    _replace(connection, "production_under_way", _UNDER_WAY, known, memory.under_way)


def _replace(
    connection: duckdb.DuckDBPyConnection,
    table: str,
    columns: tuple[str, ...],
    rows: Mapping[str, tuple[object, ...]],
    known: set[str],
) -> None:
    """Put each machine's row in the place of the one before: all in one statement, since each takes its third of a ms.

    known
        The machines that have a row; those of ``rows`` have one afterwards.
    """
    new = [(machine, *row) for machine, row in rows.items() if machine not in known]
    insert(connection, table, ("machine", *columns), new)
    changed = [(machine, *row) for machine, row in rows.items() if machine in known]
    known.update(rows)
    if changed:
        one = "(" + ", ".join(("?::VARCHAR", *(f"{placeholder(c)}::{_TYPES[c]}" for c in columns))) + ")"
        connection.execute(
            f"UPDATE base.{table} AS t SET {', '.join(f'{column} = n.{column}' for column in columns)} "  # noqa: S608
            f"FROM (VALUES {', '.join([one] * len(changed))}) AS n (machine, {', '.join(columns)}) "
            "WHERE t.machine = n.machine",
            [value for row in changed for value in row],
        )


_TYPES = {
    "state": "BLOB", "started_at": "TIMESTAMPTZ", "ended_at": "TIMESTAMPTZ", "grade": "VARCHAR", "shade": "VARCHAR",
    "reel": "VARCHAR", "length_m": "DOUBLE", "tonnes_t": "DOUBLE",
}  # fmt: skip

_UNDER_WAY = ("started_at", "ended_at", "grade", "shade", "reel", "length_m", "tonnes_t")


def _committed(counts: Counts, receipts: list[Receipt], refused: list[Rejected]) -> Committed:
    every = counts.all()
    return Committed(
        new=sum(count.new for count in every),
        repeated=sum(count.repeated for count in every),
        replaced=sum(count.replaced for count in every),
        late=sum(count.late for count in every),
        out_of_range=sum(count.out_of_range for count in every),
        bad=sum(count.bad for count in every),
        receipts=tuple(receipts),
        refused=tuple(refused),
    )
