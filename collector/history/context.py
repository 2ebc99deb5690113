"""Tables of what people keep beside the machine: laboratory results, clothing changes, orders, crew notes.

Each row becomes the message that says the same, so that a file and a message cannot mean different things, and a row
that a message could not say is a fault at its line.
"""

from __future__ import annotations

import json
import re
import uuid
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from collector.history.bad import BAD_WORDS
from collector.history.clock import TimeFormat, TimeUnclear, format_of, instant_of, zone_of
from collector.history.columns import Columns, ColumnsUnclear, time_places
from collector.history.fault import HistoryFault
from collector.history.layout import Layout, layout_of, opened, rows_from
from collector.history.options import HistoryOptions
from collector.history.signs import SignsUnclear, misfit, number_of
from collector.history.units import split_name, units_row
from collector.history.wording import clock_words
from collector.message import Decoded, Message
from collector.settings import Mill

_NAMESPACE = uuid.UUID("5e1c6d5e-6f0a-5d0b-9d5a-3a0f3c0e9b11")
"""Of our own: notes without an id get one from what they say, so that a file loaded twice leaves each once."""

_NAMES: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "lab": {
        "sampled": ("sampled", "sampled_at", "sampled at", "sample time", "sampling time"),
        "test": ("test", "property", "quantity", "measurement"),
        "value": ("value", "result"),
        "unit": ("unit",),
        "reel": ("reel", "reel no", "reel number", "reel no."),
        "withdrawn": ("withdrawn",),
    },
    "clothing": {
        "installed": ("installed", "installed_at", "installed on", "installed at"),
        "position": ("position", "place"),
        "by": ("by", "noted_by"),
        "comment": ("comment", "remark", "remarks"),
        "withdrawn": ("withdrawn",),
    },
    "order": {
        "ts": ("ordered_at", "ordered", "ts"),
        "order_id": ("order_id", "order", "order no", "order number", "order no."),
        "grade": ("grade",),
        "shade": ("shade",),
        "basis_weight": ("basis_weight", "basis weight"),
        "tonnes": ("tonnes", "t"),
        "withdrawn": ("withdrawn",),
    },
    "note": {
        "ts": ("noted_at", "noted", "ts"),
        **{
            name: (name,)
            for name in (
                "note_id", "kind", "downtime", "cause", "certainty", "comment", "by", "new_kind", "started", "ended",
                "merge_into", "withdraws", "section",
            )
        },
    },
}  # fmt: skip
_TIME: Mapping[str, str] = {"lab": "sampled", "clothing": "installed", "order": "ts", "note": "ts"}
_ANY_TIME = ("time", "timestamp", "date", "datetime", "date time")
_OTHER_TIMES = {"started", "ended"}
_NUMBERS = {"value", "basis_weight", "tonnes"}
_TELLING: tuple[tuple[str, set[str]], ...] = (
    ("lab", {"test", "value"}),
    ("clothing", {"position", "installed"}),
    ("order", {"order_id", "grade"}),
    ("note", {"downtime", "cause"}),
    ("note", {"downtime", "comment"}),
    ("note", {"kind", "by"}),
)
"""A table with such columns can be nothing else; of others a person says what they are."""
_MEANT_AS_NUMBER = re.compile(r"[<>≤≥]|[+\-−±~]?\s*[.,]?\d")
"""How a result begins that has something wrong, such as "5.1 %" or "< 0.5", and no plain words do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ContextTable:
    """One file.

    messages
        What its rows say, in their order.
    skipped
        Cells without a result, in a table of laboratory results.
    unused
        Names of the columns that say nothing of this kind.
    texts
        Of those, columns of a laboratory's sheet that hold texts alone, and how many.
    """

    path: Path
    kind: str
    layout: Layout
    fields: Mapping[str, str]
    messages: Sequence[Message]
    skipped: int
    unused: tuple[str, ...] = ()
    texts: Mapping[str, int] = field(default_factory=dict)

    def lines(self) -> Iterator[str]:
        """What was understood, in words."""
        yield f"{self.path}"
        yield f"  {_CALLED[self.kind]}, a table of {len(self.messages):,} rows or results"
        yield f"  columns: {', '.join(f'{column} = {name}' for name, column in self.fields.items())}"
        if self.unused:
            told = (f"{name} (texts: {self.texts[name]:,})" if name in self.texts else name for name in self.unused)
            yield f"  not used: {', '.join(told)}"
        if positions := self.positions():
            yield f"  positions: {', '.join(f'{position} {count:,}' for position, count in positions.items())}"
        if self.skipped:
            yield f"  without a result: {self.skipped:,} cells"
        for message in self.messages[:3]:
            yield f"  {message.payload.decode()}"

    def positions(self) -> dict[str, int]:
        """Of clothing changes, how many at each: mill.toml knows no positions, so a slip of the pen shows here."""
        if self.kind != "clothing":
            return {}
        return dict(Counter(str(json.loads(message.payload)["position"]) for message in self.messages))

    def as_dict(self) -> dict[str, object]:
        """The same for programs."""
        return {
            "file": str(self.path),
            "kind": self.kind,
            "fields": dict(self.fields),
            "rows": len(self.messages),
            "skipped": self.skipped,
            "unused": list(self.unused),
            "unused_texts": dict(self.texts),
            "positions": self.positions(),
            "faults": [],
        }


_CALLED = {"lab": "laboratory results", "clothing": "clothing changes", "order": "orders", "note": "crew notes"}


def context_kind(path: Path, options: HistoryOptions) -> str | None:
    """What kind of table it is: as a person said, or as its names leave no doubt; None for machine values."""
    if options.what is not None:
        return None if options.what == "samples" else options.what
    if path.suffix.lower() == ".parquet":
        return None
    try:
        names = layout_of(path, options, columns_of=_any_columns, may_be_date=True).columns.names
    except HistoryFault:
        return None
    words = {name.lower() for name in names}
    for kind, needed in _TELLING:
        if all(words & set(_NAMES[kind][name]) for name in needed):
            return kind
    return None


def context_table(
    path: Path, kind: str, mill: Mill, options: HistoryOptions, decode: Callable[[Message], Decoded], *, now_ms: int
) -> ContextTable:
    """Read a whole table.

    decode
        What the service makes of a message.

    Raises
    ------
    HistoryFault
        At the first row that cannot be taken.
    """
    reading = _Reading(path, kind, mill, options)
    messages: list[Message] = []
    for line, column, fields in reading.rows():
        machine = str(fields.pop("machine"))
        message = Message(
            received_ms=now_ms,
            topic=f"{mill.topic_root}/{machine}/{kind}",
            payload=json.dumps(fields, ensure_ascii=False).encode(),
        )
        if rejected := decode(message).rejected:
            raise HistoryFault(path, rejected[0].reason, line=line, column=column)
        messages.append(message)
    return ContextTable(
        path=path,
        kind=kind,
        layout=reading.layout,
        fields=reading.told(),
        messages=messages,
        skipped=reading.skipped,
        unused=reading.unused(),
        texts={reading.layout.columns.names[place]: count for place, count in reading.texts.items()},
    )


def _any_columns(names: Sequence[str], *, time: str | None = None) -> Columns:
    """To see the names, whatever they are: any first column that reads as a time will do."""
    words = [name.strip().lower() for name in names]
    times = {word for kind, name in _TIME.items() for word in _NAMES[kind][name]} | set(_ANY_TIME)
    place = next((place for place, word in enumerate(words) if word in times), None)
    if place is None:
        raise ColumnsUnclear("no column of times")
    return Columns(names=tuple(name.strip() for name in names), time=(place,))


class _Reading:
    """One table on its way to messages."""

    def __init__(self, path: Path, kind: str, mill: Mill, options: HistoryOptions) -> None:
        self._path, self._kind, self._mill, self._options = path, kind, mill, options
        self._places: dict[str, int] = {}
        self.layout = layout_of(path, options, columns_of=self._columns, may_be_date=True)
        self.skipped = 0
        self._units = self._units_of_tests()
        self._bad = {word.lower() for word in (*BAD_WORDS, *options.bad)}
        self.texts = self._columns_of_texts() if self._is_wide else {}
        self._tests = tuple(place for place in self.layout.columns.tags if place not in self.texts)

    def told(self) -> dict[str, str]:
        """Our names and the file's."""
        columns = self.layout.columns
        return (
            {_TIME[self._kind]: columns.time_name()}
            | {name: columns.names[place] for name, place in self._places.items()}
            | ({"tests": ", ".join(columns.names[place] for place in self._tests)} if self._is_wide else {})
        )

    def unused(self) -> tuple[str, ...]:
        """Names of the columns from which nothing is taken."""
        columns = self.layout.columns
        taken = {*columns.time, *self._places.values(), *(self._tests if self._is_wide else ())}
        return tuple(name for place, name in enumerate(columns.names) if name and place not in taken)

    @property
    def _is_wide(self) -> bool:
        """Whether each test has a column of its own."""
        return self._kind == "lab" and "test" not in self._places

    def _columns(self, names: Sequence[str], *, time: str | None = None) -> Columns:
        cleaned = tuple(name.strip() for name in names)
        words = [name.lower() for name in cleaned]
        own = _NAMES[self._kind]
        times = self._times(cleaned, words, time)
        for name, spellings in (*own.items(), ("machine", ("machine",))):
            place = next((words.index(word) for word in spellings if word in words), None)
            if place is not None and place not in times:
                self._places[name] = place
        if self._kind == "lab" and "test" not in self._places:
            self._places.pop("value", None)
            taken = {*times, *self._places.values()}
            tests = tuple(place for place, name in enumerate(cleaned) if name and place not in taken)
            return Columns(names=cleaned, time=times, tags=tests)
        numbers = tuple(place for name, place in self._places.items() if name in _NUMBERS)
        return Columns(names=cleaned, time=times, tags=numbers)

    def _times(self, names: tuple[str, ...], words: list[str], given: str | None) -> tuple[int, ...]:
        if given is not None:
            return time_places(names, given)
        for word in (*_NAMES[self._kind][_TIME[self._kind]], *_ANY_TIME):
            if word == "date" and "time" in words:
                return words.index("date"), words.index("time")
            if word in words and not (word == "time" and "date" in words):
                return (words.index(word),)
        there = ", ".join(f'"{name}"' for name in names if name)
        raise ColumnsUnclear(f'no column is called "{_TIME[self._kind]}": give --time-column, one of {there}')

    def _units_of_tests(self) -> dict[int, str]:
        layout, columns = self.layout, self.layout.columns
        units = {place: unit for place in columns.tags if (unit := split_name(columns.names[place])[1])}
        row = units_row(layout.below_names)
        if row is not None:
            units |= {place: cell for place in columns.tags if (cell := layout.below_names[row][place])}
        return units

    def rows(self) -> Iterator[tuple[int, str | None, dict[str, object]]]:
        """Line, column and fields of each message to be; a wide row of results gives one for each test."""
        formats: dict[str, TimeFormat] = {}
        for line, row in self._filled():
            fields = self._shared(line, row, formats)
            if not self._is_wide:
                yield line, None, self._with_note_id(fields)
                continue
            for place in self._tests:
                yield from self._result(line, row, place, fields)

    def _filled(self) -> Iterator[tuple[int, Sequence[str]]]:
        """Line and cells of each row in which anything stands."""
        names = self.layout.columns.names
        with opened(self._path, self.layout.encoding) as file:
            for line, row in rows_from(file, self.layout, self._path):
                if len(row) != len(names):
                    reason = f"has {len(row)} columns, where there are {len(names)} names: mend it"
                    raise HistoryFault(self._path, reason, line=line)
                if tuple(row) != names and any(cell.strip() for cell in row):
                    yield line, row

    def _columns_of_texts(self) -> dict[int, int]:
        """Places of the columns of plain words, which are no test, and how many stand in each."""
        texts = dict.fromkeys(self.layout.columns.tags, 0)
        for _, row in self._filled():
            for place in [place for place in texts if row[place].strip().lower() not in self._bad]:
                if _MEANT_AS_NUMBER.match(row[place].strip()):
                    del texts[place]
                else:
                    texts[place] += 1
        found = {place: count for place, count in texts.items() if count}
        if found and len(found) == len(self.layout.columns.tags):
            raise HistoryFault(self._path, "has no column of numbers, so no result of any test: look at what it is")
        return found

    def _result(
        self, line: int, row: Sequence[str], place: int, fields: Mapping[str, object]
    ) -> Iterator[tuple[int, str | None, dict[str, object]]]:
        name = self.layout.columns.names[place]
        if row[place].strip().lower() in self._bad:
            self.skipped += 1
            return
        unit = {"unit": self._units[place]} if place in self._units else {}
        value = self._number(line, place, row[place])
        yield line, name, {**fields, "test": split_name(name)[0], "value": value, **unit}

    def _shared(self, line: int, row: Sequence[str], formats: dict[str, TimeFormat]) -> dict[str, object]:
        """What a row says but for the results of a wide one."""
        columns = self.layout.columns
        text = " ".join(row[place].strip() for place in columns.time)
        fields: dict[str, object] = {
            "machine": self._options.machine or self._only_machine(line),
            _TIME[self._kind]: self._instant(line, columns.time_name(), text, self.layout.time),
        }
        for name, place in self._places.items():
            cell = row[place].strip()
            if not cell:
                continue
            if name in _OTHER_TIMES:
                form = formats.setdefault(name, self._format(line, columns.names[place], cell))
                fields[name] = self._instant(line, columns.names[place], cell, form)
            elif name == "withdrawn":
                fields[name] = self._truth(line, place, cell)
            else:
                fields[name] = self._number(line, place, cell) if name in _NUMBERS else cell
        return fields

    def _only_machine(self, line: int) -> str:
        machines = [machine.id for machine in self._mill.machines]
        if len(machines) > 1 and "machine" not in self._places:
            raise HistoryFault(self._path, f"names no machine: give --machine, one of {', '.join(machines)}", line=line)
        return machines[0]

    def _with_note_id(self, fields: dict[str, object]) -> dict[str, object]:
        if self._kind == "note" and "note_id" not in fields:
            said = json.dumps(fields, sort_keys=True, ensure_ascii=False)
            fields["note_id"] = str(uuid.uuid5(_NAMESPACE, said))
        return fields

    def _format(self, line: int, column: str, text: str) -> TimeFormat:
        try:
            return format_of([text], self._options.time_format or None, may_be_date=True)
        except TimeUnclear as error:
            raise HistoryFault(self._path, str(error), line=line, column=column) from None

    def _instant(self, line: int, column: str, text: str, form: TimeFormat) -> str:
        zone_name = self._options.time_zone or self._mill.time_zone
        found = instant_of(text, form, zone_of(zone_name), str(self._options.ambiguous or ""))
        if isinstance(found, str):
            reason = (
                f'"{text}" is not a time like the others ({form.pattern}): mend it, or give --time-format'
                if found == "time"
                else f'"{text}" {clock_words(found, zone_name)}'
            )
            raise HistoryFault(self._path, reason, line=line, column=column)
        return datetime.fromtimestamp(found / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def _truth(self, line: int, place: int, cell: str) -> bool:
        words = {**dict.fromkeys(("true", "yes", "1", "x"), True), **dict.fromkeys(("false", "no", "0"), False)}
        if (truth := words.get(cell.lower())) is None:
            reason = f'"{cell}" is neither true nor false: write "yes", or nothing'
            raise HistoryFault(self._path, reason, line=line, column=self.layout.columns.names[place])
        return truth

    def _number(self, line: int, place: int, cell: str) -> float:
        try:
            return number_of(cell, self.layout.signs)
        except SignsUnclear as error:
            reason = misfit(cell, self.layout.signs, self._options.decimal_word()) or str(error)
            if self._is_wide:
                reason += "; a column that is no test may stand without a name"
            raise HistoryFault(self._path, reason, line=line, column=self.layout.columns.names[place]) from None
