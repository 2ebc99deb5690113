"""What breaks cost a year in words, and how far to believe it."""

from __future__ import annotations

from typing import Any

from analysis.figures.ledger import Ledger
from analysis.history import History
from analysis.pareto import Amount, Cost, Sort, Worth
from analysis.result import MISSING, NOTHING, Cell, Result, Sheet, Table, significant
from analysis.telling.common import about, named, prices

_SHORT_D = 90
"""A shorter period says little of a year. [d]"""


def tell_worth(history: History, book: Ledger, found: Worth | None, by: str) -> Result:
    """What the breaks of every label cost a year, and what it would be worth to be rid of them."""
    title = f"What breaks cost a year, by {by}, {history.machine.name}"
    subject, values = named(history, book.period), about(history, book.period) | {"by": by}
    if found is None:
        sentence = "the machine was never available, so nothing can be said of a year."
        return Result(title=title, subject=subject, sentence=sentence, values=values)
    return Result(
        title=title,
        subject=subject,
        sentence=_said(history, found),
        tables=(_table(history, found),),
        values=values | _values(found),
        cautions=_cautions(history, book, found),
    )


def _said(history: History, found: Worth) -> str:
    """The dearest of those that can be named; in money where the mill has set prices, else in hours."""
    known = [c for c in found.costs if c.sort is not Sort.REMAINDER and c.saved is not None]
    if not known:
        return "there is nothing to compare."
    first = max(known, key=lambda c: (c.saved or _NONE).value)
    saved, unit = first.saved or _NONE, history.mill.currency if first.saved_cost else "h on the reel"
    if found.to_others:
        shown = "" if saved.low > 0 else "; that there is a difference at all is not shown"
        return (
            f"if {first.label} lost as little per hour on the reel as all others together, that would be worth "
            f"{_amount(saved)} {unit} a year{shown}."
        )
    cost = MISSING if first.cost is None else f"{_amount(first.cost)} {history.mill.currency}"
    return (
        f"{_name(first)} costs {significant(first.lost_h)} h and {cost} a year, secondary breaks included; "
        f"to be rid of all of it would be worth {_amount(saved)} {unit} a year."
    )


_NONE = Amount(value=0.0, low=0.0, high=0.0)


def _name(cost: Cost) -> str:
    return f"{cost.label} ({cost.name})" if cost.name else cost.label


def _amount(amount: Amount | None, missing: str = NOTHING) -> str:
    if amount is None:
        return missing
    if amount.low == amount.high:
        return significant(amount.value)
    return f"{significant(amount.value)} ({significant(amount.low)} to {significant(amount.high)})"


def _table(history: History, found: Worth) -> Table:
    money = history.mill.currency
    rid = "down to the others" if found.to_others else "rid of it"
    rows = tuple(
        (
            f"{c.label} {c.name}".strip(),
            significant(c.lost_h),
            significant(c.lost_t, missing="not known"),
            _amount(c.cost, MISSING),
            _amount(c.saved_h),
            _amount(c.saved_cost, MISSING if c.cost is None else NOTHING),
        )
        for c in found.costs
    )
    return Table(
        title=f"A year of breaks by {found.by}",
        columns=(
            found.by, "lost h", "lost t", f"cost {money}", f"{rid}: h regained", f"{rid}: worth {money}",
        ),
        rows=rows,
        numbers=frozenset(range(1, 6)),
        note=_note(history, found),
        sheet=_sheet(history, found),
    )  # fmt: skip


def _note(history: History, found: Worth) -> str:
    year = found.year
    hours = f"{year.available_h:,.0f} h in which the machine is available"
    how = "as given" if year.given else "a calendar year at the period's own share of available time"
    return (
        f"Primary and secondary breaks together. A year: {hours} ({how}), {year.factor:.3g} times the period. "
        f"In brackets: 95 % intervals, by bootstrap over breaks. Regained time is worth a little less than lost time: "
        f"the sheet breaks in it as well. Cost: {prices(history)}."
    )


def _cautions(history: History, book: Ledger, found: Worth) -> tuple[str, ...]:
    said = []
    days = book.period.length_ms / 86_400_000
    if days < _SHORT_D:
        said.append(f"A year is drawn from {days:.0f} days: whatever is seasonal or rare is not in it.")
    optimism_pct = round(found.optimism_pct or 0.0)
    much = f", here by about {optimism_pct} %" if optimism_pct else ""
    said.append(
        f"Whatever is picked because it is the greatest looks greater than it is{much}, and part of it would go away "
        "without any change (regression to the mean): judge a gain by compare, on time after the change."
    )
    if history.mill.margin_per_t is not None:
        said.append("The margin counts in full only where every tonne more could be sold.")
    return tuple(said)


def _sheet(history: History, found: Worth) -> Sheet:
    money = history.mill.currency
    rows: list[tuple[Cell, ...]] = [
        (c.label, c.name, c.sort.value, c.lost_h, c.lost_t, *_ends(c.cost), *_ends(c.saved_h), *_ends(c.saved_cost))
        for c in found.costs
    ]
    named = (f"{what}{end}" for what in (f"cost_{money}", "saved_h", f"saved_{money}") for end in ("", "_low", "_high"))
    return Sheet(columns=(found.by, "name", "sort", "lost_h", "lost_t", *named), rows=tuple(rows))


def _ends(amount: Amount | None) -> tuple[float | None, float | None, float | None]:
    return (None, None, None) if amount is None else (amount.value, amount.low, amount.high)


def _values(found: Worth) -> dict[str, Any]:
    return {
        "year": {
            "available_h": found.year.available_h,
            "factor": found.year.factor,
            "given": found.year.given,
        },
        "saved_means": "as little per hour on the reel as all others" if found.to_others else "none of it",
        "picked_as_greatest_too_high_by_pct": found.optimism_pct,
        "costs": [_cost_values(cost) for cost in found.costs],
    }


def _cost_values(cost: Cost) -> dict[str, Any]:
    return {
        "label": cost.label,
        "name": cost.name or None,
        "sort": cost.sort.value,
        "lost_h": cost.lost_h,
        "lost_t": cost.lost_t,
        "cost": _ends(cost.cost) if cost.cost else None,
        "saved_h": _ends(cost.saved_h) if cost.saved_h else None,
        "saved_cost": _ends(cost.saved_cost) if cost.saved_cost else None,
    }
