"""What there is to copy: the published store, opened read-only in a database of its own."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from pathlib import Path

import duckdb

from collector.lake.place import LakeFault
from collector.lake.tables import LakeTable
from collector.publish.day import Day, closed_before, days_of_source, within
from collector.publish.part_file import quoted, source_of
from collector.store.opening import PARTS, PUBLISHED
from collector.store.parts import COLUMNS, HOT, Content, part_name

_MEMORY = "384MB"

CONTENT: dict[str, Content] = {"sample": "value", "sample_text": "text"}
"""Which parts a table of samples is made of."""

_COPY = "(FORMAT parquet, COMPRESSION zstd, ROW_GROUP_SIZE 1_000_000, DICTIONARY_SIZE_LIMIT 200_000)"
"""Not with the version 2 pages of the store's own parts: another engine's reader (arrow-rs, under Daft) cannot skip
within their delta encoding. Large groups, so that the times that tags share stand in one dictionary: 2.1 bytes a sample
of 50 tags at 1 Hz, where version 2 has 1.7 and smaller groups without it 4.5."""


class Source:
    """An open published store."""

    def __init__(self, store: Path, connection: duckdb.DuckDBPyConnection) -> None:
        """Use ``open_source``."""
        self.connection = connection
        self._parts = store / PARTS
        self._held: set[str] = set()
        self._hot = {content: self._days(table) for content, table in HOT.items()}

    def identity(self) -> tuple[str, str, str]:
        """Name, time zone and currency of the mill."""
        (row,) = self.connection.execute("SELECT name, time_zone, currency FROM mill").fetchall()
        return row[0], row[1], row[2]

    def machines(self) -> list[str]:
        """Every machine that mill.toml names or that anything is stored of."""
        rows = self.connection.execute(
            "SELECT machine FROM base.machine UNION SELECT machine FROM base.tag UNION "
            "SELECT machine FROM base.machine_state UNION SELECT machine FROM base.note ORDER BY ALL"
        ).fetchall()
        return [machine for (machine,) in rows]

    def newest_us(self, machine: str) -> int | None:
        """The newest source time of a machine. [µs]"""
        query = "SELECT epoch_us(max(last_at)) FROM base.tag WHERE machine = ?"
        row = self.connection.execute(query, [machine]).fetchone()
        return None if row is None else row[0]

    def first_us(self, machine: str) -> int | None:
        """The oldest source time of a machine. [µs]"""
        query = "SELECT epoch_us(min(first_at)) FROM base.tag WHERE machine = ?"
        row = self.connection.execute(query, [machine]).fetchone()
        return None if row is None else row[0]

    def closed_days(self, now: datetime) -> dict[Day, dict[Content, list[int]]]:
        """Each closed day with the ids of the parts that hold rows of it.

        A day is closed when data have come of an hour after it, or when it has been over for a day: a machine that
        stands, or that has moved to another collector, sends nothing that could close its last one.
        """
        row = self.connection.execute("SELECT epoch_us(data_to) FROM published").fetchone()
        before = max(closed_before(None if row is None else row[0]), (now - timedelta(days=1)).date())
        found: defaultdict[Day, dict[Content, list[int]]] = defaultdict(lambda: {"value": [], "text": []})
        for part_id, content, day, first_us in self._listed():
            if day is not None:
                found[day][content].append(part_id)
            elif _day_of(first_us) < before:
                for own in self._days(source_of([self._parts / part_name(part_id, content)])):
                    found[own][content].append(part_id)
        for content, hot in self._hot.items():
            for day in hot:
                found[day][content].extend(())
        return {day: found[day] for day in sorted(found) if day < before}

    def _listed(self) -> list[tuple[int, Content, Day | None, int]]:
        return self.connection.execute(
            "SELECT part_id, content, day, epoch_us(first_at) FROM base.part ORDER BY part_id"
        ).fetchall()

    def _days(self, source: str) -> dict[Day, int]:
        return days_of_source(self.connection, source)

    def signature(self, day: Day, parts: dict[Content, list[int]]) -> str:
        """What a day's rows are made of; another one where they may have changed."""
        hot = [str(self._hot[content].get(day, 0)) for content in COLUMNS]
        said = [f"{content}:{','.join(map(str, sorted(ids)))}" for content, ids in sorted(parts.items())]
        return " ".join([*said, "hot:" + ",".join(hot)])

    def machines_of_day(self, day: Day, parts: dict[Content, list[int]], table: str) -> list[str]:
        """The machines that have samples in a day."""
        rows = self.connection.execute(
            f"SELECT DISTINCT machine FROM base.tag SEMI JOIN {self._rows(table, day, parts)} USING (tag_id) ORDER BY 1"  # noqa: S608
        ).fetchall()
        return [machine for (machine,) in rows]

    def copy_day(self, table: LakeTable, machine: str, day: Day, parts: dict[Content, list[int]], to: Path) -> None:
        """Write a machine's samples of a day to a file."""
        shown = "value" if CONTENT[table.name] == "value" else "text"
        self._copy(
            f"SELECT t.tag, s.sampled_at, s.{shown}, s.flags FROM {self._rows(table.name, day, parts)} AS s "  # noqa: S608
            f"JOIN base.tag AS t ON t.tag_id = s.tag_id WHERE t.machine = {_text(machine)} ORDER BY {table.order}",
            to,
        )

    def _rows(self, table: str, day: Day, parts: dict[Content, list[int]]) -> str:
        """The rows of a day as SQL after FROM: of its parts, but for those in whose place a hot one holds."""
        content = CONTENT[table]
        columns = COLUMNS[content]
        text = f"SELECT {columns} FROM {HOT[content]}"  # noqa: S608 - names of ours
        if parts[content]:
            paths = [self._parts / part_name(part_id, content) for part_id in parts[content]]
            listed = f"{source_of(paths)} ANTI JOIN base.replaced USING (tag_id, sampled_at)"
            text += f" UNION ALL SELECT {columns} FROM {listed}"  # noqa: S608
        return within(f"({text})", day)

    def marks(self, table: LakeTable) -> dict[str, dict[int | None, str]]:
        """By machine and year (UTC), what tells a table's rows from other ones; year None where it is not cut by it.

        The newest values in ``tag`` change all the time: of them only the day is looked at, so it is copied daily.
        """
        year = "NULL::BIGINT" if table.time is None else f"year({table.time})"
        row = f"SELECT * EXCLUDE (last_value, last_text) REPLACE (last_at::DATE AS last_at) FROM {self._table('tag')}"  # noqa: S608
        rows = f"({row})" if table.name == "tag" else self._table(table.name)
        found: defaultdict[str, dict[int | None, str]] = defaultdict(dict)
        for machine, of_year, mark in self.connection.execute(
            f"SELECT machine, {year}, count(*) || ':' || sum(hash(r)::HUGEINT) FROM {rows} AS r "  # noqa: S608
            "WHERE machine IS NOT NULL GROUP BY ALL ORDER BY ALL"
        ).fetchall():
            found[machine][of_year] = mark
        return found

    def copy_table(self, table: LakeTable, to: Path, *, machine: str | None = None, year: int | None = None) -> None:
        """Write a table, or what it has of a machine and year, to a file."""
        left_out = " EXCLUDE (machine)" if machine is not None else ""
        where = ["TRUE"]
        if machine is not None:
            where.append(f"machine = {_text(machine)}")
        if year is not None:
            where.append(f"year({table.time}) = {year}")
        source = self._table(table.name)
        self._copy(f"SELECT *{left_out} FROM {source} WHERE {' AND '.join(where)} ORDER BY {table.order}", to)  # noqa: S608

    def _table(self, name: str) -> str:
        """A view's rows as a table of our own: worked out once, since each machine and year is taken from it."""
        if name not in self._held:
            self.connection.execute(f"CREATE TABLE memory.main.{name} AS FROM published_store.main.{name}")
            self._held.add(name)
        return f"memory.main.{name}"

    def copy_dictionary(self, to: Path) -> None:
        """Write every view and column with type and comment to a file."""
        self._copy(_DICTIONARY, to)

    def _copy(self, select: str, to: Path) -> None:
        self.connection.execute(f"COPY ({select}) TO '{quoted(to)}' {_COPY}")

    def facts(self, made: Path, time: str | None) -> tuple[int, str, str | None, str | None]:
        """Of a file: rows, columns, and the oldest and newest time in it."""
        span = f"min({time})::TIMESTAMPTZ, max({time})::TIMESTAMPTZ" if time else "NULL, NULL"
        row = self.connection.execute(f"SELECT count(*), {span} FROM {source_of([made])}").fetchone()  # noqa: S608
        assert row is not None
        columns = [name for name, *_ in self.connection.execute(f"FROM {source_of([made])} LIMIT 0").description or ()]
        first, last = (None if at is None else at.isoformat() for at in row[1:])
        return row[0], ",".join(columns), first, last


@contextmanager
def open_source(store: Path, spool: Path) -> Iterator[Source]:
    """The published store of a folder. It is renewed by rename, so this one stays whole while it is used.

    Raises
    ------
    LakeFault
        It is not there, or of another version.
    """
    path = store / PUBLISHED
    if not path.exists():
        raise LakeFault(f"nothing was published in {store} yet: there is nothing to copy to the lake")
    with duckdb.connect(config={"threads": 1, "memory_limit": _MEMORY}) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        connection.execute("SET temp_directory = ?", [str(spool / "spilled")])
        _attach(connection, path)
        connection.execute("USE published_store")
        try:
            yield Source(store, connection)
        except duckdb.CatalogException as error:
            said = str(error).splitlines()[0]
            raise LakeFault(f"{path} is of another version ({said}): start this version's collector once") from error


def _attach(connection: duckdb.DuckDBPyConnection, path: Path) -> None:
    """Open the file, and once more if it was renewed just then: DuckDB opens it several times, and meets two files."""
    attach = f"ATTACH '{quoted(path)}' AS published_store (READ_ONLY)"
    try:
        connection.execute(attach)
    except duckdb.IOException:
        connection.execute(attach)


def _day_of(at_us: int) -> Day:
    return date.fromordinal(date(1970, 1, 1).toordinal() + at_us // 86_400_000_000)


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


_DICTIONARY = """
SELECT table_name, column_name, data_type, column_index AS position, comment
FROM duckdb_columns()
WHERE schema_name = 'main' AND database_name = 'published_store' AND NOT internal
UNION ALL
SELECT view_name, NULL, NULL, 0, comment
FROM duckdb_views()
WHERE schema_name = 'main' AND database_name = 'published_store' AND NOT internal
ORDER BY table_name, position
"""
