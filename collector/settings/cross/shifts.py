"""Rotas that do not fill whole days, and overrides that speak of what the rota has not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, time, timedelta
from itertools import pairwise

from collector.settings.cross.plain import Finding, Table, list_of, table_of, tables_of, text_of, texts_of
from collector.settings.faults import did_you_mean
from collector.settings.locate import KeyPath

_LONGEST_OVERRIDE_D = 366
"""What lasts longer is another rota."""


def shift_faults(raw: Table) -> Iterator[Finding]:
    """What the rotas and the overrides say of each other."""
    shifts = table_of(raw, "shifts")
    rotas: list[tuple[KeyPath, Table]] = [(("shifts",), shifts)]
    rotas += [(("shifts", "later", index), later) for index, later in tables_of(shifts, "later")]
    for path, rota in rotas:
        yield from _rota(path, rota)
    days = [(path, rota["date"]) for path, rota in rotas[1:] if type(rota.get("date")) is date]
    for (_, one), (path, other) in pairwise(days):
        if other <= one:
            yield (*path, "date"), f"must be after {one}: give the rotas in the order in which they came"
    yield from _overrides([rota for _, rota in rotas], shifts)


def _rota(path: KeyPath, rota: Table) -> Iterator[Finding]:
    starts, names, pattern = (list_of(rota, key) for key in ("starts", "names", "pattern"))
    if names and starts and len(names) != len(starts):
        yield (*path, "names"), f"has {len(names)} names for {len(starts)} starts"
    for index, name in enumerate(names):
        if name in names[:index]:
            yield (*path, "names", index), f'"{name}" is there twice'
    times = [_time(start) for start in starts]
    for index, (one, other) in enumerate(pairwise(times), start=1):
        if one and other and other <= one:
            yield (*path, "starts", index), f"must be later than {one:%H:%M}: give the starts in order of the day"
    if starts and len(pattern) % len(starts):
        message = f"has {len(pattern)} crews, which does not fill whole days of {len(starts)} shifts: write it out"
        yield (*path, "pattern"), f"{message} until it does"


def _overrides(rotas: list[Table], shifts: Table) -> Iterator[Finding]:
    names = list(dict.fromkeys(name for rota in rotas for _, name in texts_of(rota, "names")))
    crews = {crew for rota in rotas for _, crew in texts_of(rota, "pattern")}
    taken: dict[tuple[date, str], int] = {}
    for index, override in tables_of(shifts, "override"):
        path: KeyPath = ("shifts", "override", index)
        for key, known in (("shift", names), ("crew", crews)):
            word = text_of(override, key)
            if word and known and word not in known:
                yield (*path, key), f'the rota has no {key} "{word}"{did_you_mean(word, known) or _one_of(known)}'
        if (override.get("off") is True) is ("crew" in override):
            yield path, "give either the crew that takes the shift, or off = true where there is none"
        days = _days_of(override)
        if days is None:
            yield (*path, "to"), "must not be before date, nor more than a year after it"
        shift = text_of(override, "shift")
        meant = [(day, name) for day in days or () for name in ([shift] if shift else names)]
        if clash := next((one for one in meant if one in taken), None):
            yield path, f"override {taken[clash] + 1} speaks of the {clash[1]} shift of {clash[0]} already"
        taken |= {one: index for one in meant if one not in taken}


def _days_of(override: Table) -> list[date] | None:
    """The days of an override; None where they run backwards or on and on, none where a date is not one."""
    first, last = override.get("date"), override.get("to", override.get("date"))
    if type(first) is not date or type(last) is not date:
        return []
    if not 0 <= (last - first).days <= _LONGEST_OVERRIDE_D:
        return None
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]


def _one_of(words: Iterable[str]) -> str:
    return f": it has {', '.join(sorted(words))}"


def _time(value: object) -> time | None:
    try:
        return time.fromisoformat(str(value)).replace(tzinfo=None)
    except ValueError:
        return None
