"""Writes the samples of some scans by the sample rule, and counts what became of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice

import duckdb
import numpy as np

from collector.block import Block
from collector.message import Flag, Rejected, Scan, Value
from collector.store import Store
from collector.store.opening import PARTS
from collector.store.parts import HOT
from collector.writer.columns import Columns, Flags, Gathered, Truths, gather, gather_block
from collector.writer.counts import Counts
from collector.writer.repeats import Archive, Key, Settled, Suspect, are_new, key_columns, registered, settle
from collector.writer.rows import insert
from collector.writer.tagbook import Ids, TagBook

LateKeys = set[tuple[str, str, int]]

_INSERT_NUMBERS = "INSERT INTO base.hot_sample SELECT tag_id, make_timestamptz(at_us), value, flags FROM some_sample"
_INSERT_TEXTS = "INSERT INTO base.hot_text SELECT tag_id, make_timestamptz(at_us), value, flags FROM some_sample"


_TAGS_SHOWN = 20
"""Of the tags of a scan that are too many, so many are kept by name and value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleRows:
    """Writes samples within the caller's transaction."""

    store: Store
    book: TagBook
    tags_at_most: int

    @property
    def connection(self) -> duckdb.DuckDBPyConnection:
        """The store's connection."""
        return self.store.connection

    def write(self, scans: Sequence[Scan], late: LateKeys, day: date, counts: Counts) -> list[Rejected]:
        """Write the samples of scans that were received on one day; give what had tags beyond the limit, scan by scan.

        late
            (machine, tag, source time [ms]) of the late ones.
        """
        gathered = gather(scans, self.book)
        counts.add_scans(scans, day)
        self._write(gathered, late, day, counts)
        by_scan: defaultdict[int, dict[str, Value]] = defaultdict(dict)
        for place, tag in gathered.refused:
            by_scan[place][tag] = scans[place].values[tag]
        return [self._refused(scans[place].machine, scans[place].heard_ms, left) for place, left in by_scan.items()]

    def write_block(self, block: Block, late: LateKeys, day: date, counts: Counts) -> list[Rejected]:
        """The same for samples of one day that are columns already, and that were received at their own times."""
        gathered = gather_block(block, self.book)
        counts.add_block(block, day)
        self._write(gathered, late, day, counts)
        by_machine: defaultdict[str, dict[str, Value]] = defaultdict(dict)
        for row, tag in gathered.refused:
            by_machine[block.tags[block.tag_no[row]][0]][tag] = block.value(row)
        return [self._refused(machine, int(block.at_ms[0]), left) for machine, left in by_machine.items()]

    def _write(self, gathered: Gathered, late: LateKeys, day: date, counts: Counts) -> None:
        insert(self.connection, "tag", ("tag_id", "machine", "tag"), self.book.take_added())
        configuration = self.store.configuration_id
        new_sources = [(configuration, tag_id, source) for tag_id, source in self.book.take_new_sources()]
        insert(self.connection, "tag_source", ("configuration_id", "tag_id", "source"), new_sources)
        numbers, texts = gathered.numbers, gathered.texts
        if late:
            self._flag_late((numbers, texts), late)
        new = np.ones(len(numbers) + len(texts), np.bool_)
        if not gathered.in_order:
            new = are_new(
                ids=np.concatenate((numbers.ids, texts.ids)),
                at_ms=np.concatenate((numbers.at_ms, texts.at_ms)),
                places=np.concatenate((numbers.places, texts.places)),
                book=self.book,
            )
        if new.all():
            self._insert(numbers, texts, day, counts)
        else:
            new_numbers, new_texts = new[: len(numbers)], new[len(numbers) :]
            self._insert(numbers.some(new_numbers), texts.some(new_texts), day, counts)
            self._settle(numbers.some(~new_numbers), texts.some(~new_texts), day, counts)

    def _flag_late(self, all_columns: Iterable[Columns], late: LateKeys) -> None:
        ids = [(self.book.id_of(machine, tag), at_ms) for machine, tag, at_ms in late]
        keys = np.array([tag_id << 42 | at_ms for tag_id, at_ms in ids if tag_id is not None], np.int64)
        for columns in all_columns:
            columns.flags[np.isin(columns.keys(), keys)] |= np.uint8(Flag.LATE)

    def _insert(self, numbers: Columns, texts: Columns, day: date, counts: Counts) -> None:
        """Insert samples that are known to be new."""
        for columns, statement in ((numbers, _INSERT_NUMBERS), (texts, _INSERT_TEXTS)):
            if len(columns):
                self._insert_columns(columns, statement)
                np.maximum.at(self.book.newest_ms, columns.ids, columns.at_ms)
                self._count(counts, day, "new", columns.ids)
                self._count_flags(counts, day, columns.ids, columns.flags)

    def _insert_columns(self, columns: Columns, statement: str) -> None:
        rows = {
            "tag_id": columns.ids,
            "at_us": columns.at_ms * 1000,
            "value": columns.nullable_values(),
            "flags": columns.flags,
        }
        with registered(self.connection, "some_sample", rows):
            self.connection.execute(statement)

    def _settle(self, numbers: Columns, texts: Columns, day: date, counts: Counts) -> None:
        """Write suspects as far as they say something new."""
        at_ms = np.concatenate((numbers.at_ms, texts.at_ms))
        archive = Archive(self.connection, at_ms, parts=self.store.parts(), folder=self.store.folder / PARTS)
        settled = settle(archive, numbers, texts)
        self._take_away(settled)
        self._put_in(settled.changed)
        for name in ("new", "repeated", "replaced"):
            self._count(counts, day, name, np.array(getattr(settled, name), np.int32))
        changed = settled.changed
        ids = np.array([tag_id for tag_id, _ in changed], np.int32)
        self._count_flags(counts, day, ids, np.array([row.flags for row in changed.values()], np.uint8))

    def _take_away(self, settled: Settled) -> None:
        if settled.hot:
            with registered(self.connection, "some_key", key_columns(settled.hot)):
                for table in HOT.values():
                    self.connection.execute(
                        f"DELETE FROM {table} AS s USING some_key AS k "  # noqa: S608 - names of ours
                        "WHERE s.tag_id = k.tag_id AND s.sampled_at = make_timestamptz(k.at_us)"
                    )
        if settled.parted:
            with registered(self.connection, "some_key", key_columns(settled.parted)):
                self.connection.execute(
                    "INSERT INTO base.replaced SELECT tag_id, make_timestamptz(at_us) FROM some_key"
                )

    def _put_in(self, changed: dict[Key, Suspect]) -> None:
        numbers = [row for row in changed.values() if not isinstance(row.value, str)]
        texts = [row for row in changed.values() if isinstance(row.value, str)]
        if numbers:
            self._insert_columns(_columns(numbers, np.float64), _INSERT_NUMBERS)
        if texts:
            self._insert_columns(_columns(texts, np.object_), _INSERT_TEXTS)

    def _count(self, counts: Counts, day: date, name: str, ids: Ids) -> None:
        """Add the number of these samples to each machine's count of that name."""
        if not len(ids):
            return
        sums = np.bincount(self.book.machine_no[ids], minlength=len(self.book.machines))
        for machine, book in self.book.machines.items():
            if sums[book.number]:
                count = counts.of(machine, day)
                setattr(count, name, getattr(count, name) + int(sums[book.number]))

    def _count_flags(self, counts: Counts, day: date, ids: Ids, flags: Flags) -> None:
        if not flags.any():
            return
        named = (("late", Flag.LATE), ("out_of_range", Flag.OUT_OF_RANGE), ("bad", Flag.BAD_QUALITY))
        for name, flag in named:
            having: Truths = (flags & np.uint8(flag)) != 0
            self._count(counts, day, name, ids[having])

    def _refused(self, machine: str, heard_ms: int, values: Mapping[str, Value]) -> Rejected:
        """One row for all that is left out of one message or block."""
        said = "1 value was" if len(values) == 1 else f"{len(values)} values were"
        return Rejected(
            received_ms=heard_ms,
            topic=machine,
            reason=f"{said} left out: there are {self.tags_at_most} tags already, the most there may be: "
            "send fewer names, or set tags_at_most ([store])",
            payload=repr(dict(islice(values.items(), _TAGS_SHOWN))).encode(errors="backslashreplace"),
        )


def _columns(rows: Sequence[Suspect], kind: type) -> Columns:
    return Columns(
        ids=np.array([row.key[0] for row in rows], np.int32),
        at_ms=np.array([row.key[1] for row in rows], np.int64),
        values=np.array([row.value for row in rows], kind),
        flags=np.array([row.flags for row in rows], np.uint8),
        places=np.array([row.place for row in rows], np.int32),
    )
