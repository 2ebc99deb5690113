"""The broke ledger in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from analysis.broke.ledger import BrokeLedger, Fallen, TowerBalance, all_together
from analysis.broke.made import BrokeMade, broke_made
from analysis.broke.tower import Outlook
from analysis.figures.ledger import Ledger, section_label
from analysis.figures.tonnes import made
from analysis.history import History
from analysis.period import say
from analysis.result import MISSING, NOTHING, Result, Table, count, length, number, percent
from analysis.telling.common import about, named
from analysis.telling.towers import outlook_tables, outlook_values, warnings_said

NEWEST = 20
"""Single downtimes that a table shows; ``--json`` has them all."""


def tell_broke(
    history: History, book: Ledger, stock: BrokeLedger | None = None, outlook: Outlook | None = None
) -> Result:
    """What fell, came back, was dosed and is held.

    stock, outlook
        Without them (nothing tells of the moisture) there is only what fell, at reel moisture and at the speed before.
    """
    plain = broke_made(history, book)
    tables = [_plain_table(plain)] if stock is None else _ledger_tables(history, stock)
    if outlook is not None:
        tables += outlook_tables(outlook)
    return Result(
        title=f"Broke, {history.machine.name}",
        subject=named(history, book.period),
        sentence=_plain_said(history, book, plain) if stock is None else _stock_said(stock, history, book),
        tables=tuple(tables),
        values=about(history, book.period)
        | {"broke": [asdict(line) for line in plain]}
        | ({} if stock is None else {"ledger": _ledger_values(stock)})
        | ({} if outlook is None else {"towers": outlook_values(outlook)}),
        cautions=(*_cautions(stock), *(() if outlook is None else warnings_said(outlook))),
    )


def _cautions(stock: BrokeLedger | None) -> tuple[str, ...]:
    if stock is None:
        return ("Neither mill.toml, a moisture signal nor the laboratory tells of the moisture: no oven-dry broke.",)
    found = []
    if bridged := max((t.bridged_ms for t in stock.towers), default=0):
        found.append(f"{length(bridged)} without data are bridged: the newest values were taken to hold through them.")
    found += [
        f"{tower.tower} stood full for {length(tower.full_ms)} and no tag tells what ran over: see unexplained."
        for tower in stock.towers
        if tower.full_ms and tower.spilled_t is None
    ]
    if stock.homeless_t:
        found.append(f"{number(stock.homeless_t)} t were of a shade that no tower may hold.")
    return tuple(found)


def _stock_said(stock: BrokeLedger, history: History, book: Ledger) -> str:
    made_t = made(history.production, book.period).tonnes_t
    reel_t = sum(one.reel_t for one in stock.by_downtime)
    of_made = f", {percent(reel_t / made_t)} of what was made on it" if made_t else ""
    dosed = [t.dosed_t for t in stock.towers if t.dosed_t is not None]
    of_furnish = f", {percent(sum(dosed) / stock.furnish_t)} of the furnish" if stock.furnish_t else ""
    back = f"; {number(sum(dosed))} t were dosed back{of_furnish}" if dosed else ""
    spilled = sum(t.spilled_t or 0.0 for t in stock.towers)
    over = f"; {number(spilled)} t ran over" if spilled >= 0.05 else ""
    return (
        f"{number(stock.oven_dry_t)} t of broke, oven-dry, fell into the pits ({number(reel_t)} t at reel moisture"
        f"{of_made}){back}{over}."
    )


def _ledger_tables(history: History, stock: BrokeLedger) -> list[Table]:
    tables = [balance_table(stock)] if stock.towers else []
    return [*tables, _pit_table(stock), _single_table(history, stock)]


def balance_table(stock: BrokeLedger) -> Table:
    """The balance of every tower: what cannot be explained stands in a column of its own."""
    return Table(
        title="Broke balance, oven-dry [t]",
        columns=("tower", "at first", "+ fallen", "+ returned", "− dosed", "− ran over", "= at last", "unexplained"),
        rows=tuple(_balance_row(t) for t in (*stock.towers, *_all_towers(stock))),
        numbers=frozenset(range(1, 8)),
        note=(
            f"At {number(stock.moisture.pct)} % moisture on the reel ({stock.moisture.taken_from}). At first, at last: "
            "level × volume × consistency; dosed: share of furnish × furnish drawn for the sheet. Unexplained: what "
            "all this does not add up to, in % of what was put in; what has no tag stands in it. Each figure is "
            "rounded by itself."
        ),
    )


def _all_towers(stock: BrokeLedger) -> tuple[TowerBalance, ...]:
    return (all_together(stock.towers),) if len(stock.towers) > 1 else ()


def _balance_row(t: TowerBalance) -> tuple[str, ...]:
    unexplained = MISSING
    if t.unexplained_t is not None:
        unexplained = f"{number(t.unexplained_t, 2)} ({percent(t.unexplained_share, 2, NOTHING)})"
    return (
        t.tower,
        number(t.start_t, 2, MISSING),
        number(t.made_t, 2),
        number(t.returned_t, 2, MISSING),
        number(t.dosed_t, 2, MISSING),
        number(t.spilled_t, 2, MISSING),
        number(t.end_t, 2, MISSING),
        unexplained,
    )


def _pit_table(stock: BrokeLedger) -> Table:
    rows = ((f.pit, f.grade or NOTHING, f.shade or NOTHING, *_amounts(f), str(f.downtimes)) for f in stock.by_pit)
    return Table(
        title="Broke fallen, by pit, grade and shade",
        columns=("pit", "grade", "shade", "t oven-dry", "t at reel moisture", "m³", "downtimes"),
        rows=tuple(rows),
        numbers=frozenset({3, 4, 5, 6}),
        note=(
            "Time with stock on and the sheet off × speed × trim × basis weight before the loss; sheet lost before the "
            "size press lacks what that adds. m³: at the pit's consistency."
        ),
    )


def _amounts(f: Fallen) -> tuple[str, str, str]:
    return number(f.oven_dry_t, 2), number(f.reel_t, 2), number(f.volume_m3, 0, MISSING)


def _single_table(history: History, stock: BrokeLedger) -> Table:
    newest = sorted(
        (f for f in stock.by_downtime if f.downtime), key=lambda f: f.downtime.started_ms if f.downtime else 0
    )[::-1]
    rows = tuple(
        (
            say(f.downtime.started_ms, history.mill.zone),
            f.downtime.kind,
            section_label(f.downtime),
            f.pit,
            f.shade or NOTHING,
            *_amounts(f),
        )
        for f in newest[:NEWEST]
        if f.downtime
    )
    more = f"The newest {NEWEST} of {len(newest)}; --json has all." if len(newest) > NEWEST else ""
    return Table(
        title="What each downtime made",
        columns=("lost", "kind", "section", "pit", "shade", "t oven-dry", "t at reel moisture", "m³"),
        rows=rows,
        numbers=frozenset({5, 6, 7}),
        note=more,
    )


def _plain_said(history: History, book: Ledger, found: Sequence[BrokeMade]) -> str:
    total, unknown = sum(line.tonnes_t for line in found), sum(line.unknown for line in found)
    made_t = made(history.production, book.period).tonnes_t
    share = f", {percent(total / made_t)} of what was made on the reel" if made_t else ""
    apart = f" {count(unknown, 'downtime')} still open or without a known rate could not be counted." if unknown else ""
    return f"{number(total)} t of broke with the sheet off the reel{share}.{apart}"


def _plain_table(found: Sequence[BrokeMade]) -> Table:
    rows = (
        (b.pit, b.grade or NOTHING, b.shade or NOTHING, number(b.tonnes_t), str(b.downtimes), str(b.unknown))
        for b in found
    )
    return Table(
        title="Broke by pit, grade and shade",
        columns=("pit", "grade", "shade", "t", "downtimes", "not counted"),
        rows=tuple(rows),
        numbers=frozenset({3, 4, 5}),
        note="Time with stock on and the sheet off the reel × rate before the loss, at reel moisture.",
    )


def _ledger_values(stock: BrokeLedger) -> dict[str, Any]:
    return {
        "moisture_pct": stock.moisture.pct,
        "moisture_from": stock.moisture.taken_from,
        "fallen_t": stock.oven_dry_t,
        "homeless_t": stock.homeless_t,
        "furnish_t": stock.furnish_t,
        "by_pit": [_fallen_values(f) for f in stock.by_pit],
        "by_downtime": [_fallen_values(f) for f in stock.by_downtime],
        "towers": [
            asdict(t) | {"unexplained_t": t.unexplained_t, "unexplained_share": t.unexplained_share}
            for t in stock.towers
        ],
    }


def _fallen_values(f: Fallen) -> dict[str, Any]:
    return {
        "downtime_id": f.downtime.downtime_id if f.downtime else None,
        "pit": f.pit,
        "grade": f.grade,
        "shade": f.shade,
        "downtimes": f.downtimes,
        "oven_dry_t": f.oven_dry_t,
        "reel_t": f.reel_t,
        "volume_m3": f.volume_m3,
    }
