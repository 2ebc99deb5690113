"""Which column of a file is what, by its name and by what stands in it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

_WORDS = {
    "tag": {"tag", "tag name", "tagname", "tag_name", "signal", "point"},
    "value": {"value", "val"},
    "machine": {"machine", "asset"},
    "quality": {"quality", "status"},
    "time": {"ts", "time", "timestamp", "datetime", "date time", "date/time", "date_time", "sampled_at", "at"},
    "date": {"date"},
}

_SHOWN = 6


class ColumnsUnclear(ValueError):
    """The columns do not say what they are: the text says what to give."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """The columns of a file, by their places from 0.

    names
        Of all columns, as they stand in the file.
    time
        One column, or two: date and time of day.
    tag, value
        Of a long file; None in a wide one.
    tags
        Of a wide file: the columns that hold a tag each.
    """

    names: tuple[str, ...]
    time: tuple[int, ...]
    tag: int | None = None
    value: int | None = None
    machine: int | None = None
    quality: int | None = None
    tags: tuple[int, ...] = ()

    @property
    def is_long(self) -> bool:
        """Whether each row names its tag."""
        return self.tag is not None

    def time_name(self) -> str:
        """The name of the time column, or of both."""
        return " + ".join(self.names[place] for place in self.time)


def columns_of(names: Sequence[str], *, time: str | None = None) -> Columns:
    """What the columns are.

    time
        The name of the time column, where it cannot be told; two names joined by "+" for date and time of day.

    Raises
    ------
    ColumnsUnclear
        If there is no time, if a name is there twice, or if a tag column has no value column beside it.
    """
    cleaned = tuple(name.strip() for name in names)
    for name in cleaned:
        if name and cleaned.count(name) > 1:
            raise ColumnsUnclear(f'two columns are called "{name}": give each a name of its own')
    times = time_places(cleaned, time)
    tag, value = _place(cleaned, "tag"), _place(cleaned, "value")
    machine, quality = _place(cleaned, "machine"), _place(cleaned, "quality")
    if (tag is None) is not (value is None):
        there, missing = ("tag", "value") if value is None else ("value", "tag")
        raise ColumnsUnclear(f"there is a column for the {there} and none called {missing}: name both, or neither")
    if tag is not None:
        return Columns(names=cleaned, time=times, tag=tag, value=value, machine=machine, quality=quality)
    taken = {*times, machine, quality}
    tags = tuple(place for place, name in enumerate(cleaned) if name and place not in taken)
    if not tags:
        raise ColumnsUnclear("there is no column beside the time: is the delimiter right? give --delimiter")
    return Columns(names=cleaned, time=times, machine=machine, quality=quality, tags=tags)


def _place(names: Sequence[str], role: str) -> int | None:
    found = [place for place, name in enumerate(names) if name.lower() in _WORDS[role]]
    return found[0] if len(found) == 1 else None


def time_places(names: Sequence[str], given: str | None) -> tuple[int, ...]:
    """The places of the time's column, or of two for date and time of day. Raises ColumnsUnclear if there is none."""
    if given is not None:
        wanted = [given] if given in names else [part.strip() for part in given.split("+")]
        if missing := [name for name in wanted if name not in names]:
            raise ColumnsUnclear(f'there is no column "{missing[0]}": there are {", ".join(filter(None, names))}')
        return tuple(names.index(name) for name in wanted)
    date, time = _place(names, "date"), _place(names, "time")
    if date is not None and time is not None:
        return (date, time)
    only = date if time is None else time
    if only is None:
        there = ", ".join(f'"{name}"' for name in names[:_SHOWN] if name)
        raise ColumnsUnclear(
            f'no column is called "ts" or "time": give --time-column, one of {there}; or --delimiter, if that is no '
            "list"
        )
    return (only,)
