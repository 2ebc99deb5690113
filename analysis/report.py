"""Answers as one self-contained HTML page: no script, nothing fetched, every picture with its text and numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from analysis.drawing import bands
from analysis.drawing.bars import pareto_bars, worth_bars
from analysis.drawing.chart import plain_id
from analysis.figures.efficiency import Efficiency, efficiency
from analysis.figures.ledger import Class, Ledger, ledger
from analysis.figures.shift_review import ShiftReview, numbers_by_time, shift_review
from analysis.figures.tonnes import lost_in, money_of
from analysis.history import History
from analysis.paper.offspec import Specification
from analysis.pareto import Pareto, Worth, pareto, worth
from analysis.period import Period, say_period, shift_period
from analysis.result import MISSING, Picture, Result, RiskSection, Table, count, length, number, percent, sentence_case
from analysis.telling.broke import tell_broke
from analysis.telling.common import SAFETY, definitions, freshness_said
from analysis.telling.efficiency import figure_table, ledger_table, split_table, tell_efficiency
from analysis.telling.losses import cluster_table, losses_said, losses_table
from analysis.telling.offspec import clock_table, offspec_said, offspec_table
from analysis.telling.pareto import pareto_table, tell_pareto
from analysis.telling.quality import tell_quality
from analysis.telling.shift import tell_shift
from analysis.telling.tonnes import tell_production
from analysis.telling.worth import tell_worth
from analysis.templating import templates_in

_TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """One number to read from across the room."""

    name: str
    value: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of a page; ``folded`` tables open on demand, ``advisory`` ones carry the safety notice."""

    title: str
    sentence: str = ""
    text: str = ""
    tiles: tuple[Tile, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()
    folded: tuple[Table, ...] = ()
    cautions: tuple[str, ...] = ()
    advisory: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Chapter:
    """The parts of one machine."""

    title: str
    subtitle: str
    freshness: str
    parts: tuple[Part, ...]
    words: tuple[tuple[str, str], ...]


def page(mill: str, title: str, chapters: Sequence[Chapter], *, demo: bool = False) -> str:
    """Chapters as one HTML page.

    demo
        True marks every chapter as figures of an invented mill.
    """
    template = templates_in(_TEMPLATES, ("count", count)).get_template("page.html")
    return template.render(mill=mill, title=title, chapters=chapters, demo=demo, safety=SAFETY)


def result_part(result: Result, *pictures: Picture) -> Part:
    """One answer as a part of a page, with its pictures."""
    return Part(
        title=result.title,
        sentence=sentence_case(result.sentence),
        pictures=pictures,
        tables=result.tables,
        cautions=result.cautions,
    )


def chapter_of(history: History, period: Period, parts: Sequence[Part]) -> Chapter:
    """Parts about one machine under its name, period and freshness."""
    return Chapter(
        title=history.machine.name,
        subtitle=period.name or say_period(period, history.mill.zone),
        freshness=freshness_said(history),
        parts=tuple(parts),
        words=definitions(history),
    )


def report_chapter(
    history: History,
    period: Period,
    risk: RiskSection | None = None,
    *,
    paper: Specification | None = None,
    broke: Result | None = None,
    evidence: Result | None = None,
) -> Chapter:
    """The whole report of one machine: from the headline to the quality of its data.

    paper
        How the paper on the reel was judged; without it what depends on it is "not set".
    broke
        The broke ledger as it was told; without it only what fell, at reel moisture.
    evidence
        What differs before breaks, in short; without it the page has no such part.
    """
    book = ledger(history, period)
    found = efficiency(history, book, paper=paper)
    parts = (
        _headline(history, book, found),
        *_time(history, book),
        *_losses(history, book),
        *([] if evidence is None else [_evidence_part(evidence)]),
        *_restarts(history, paper),
        *_paper(history, book, broke or tell_broke(history, book)),
        *_last_shift(history, period),
        Part(
            title="Figures and how they are made",
            sentence="Every figure with its formula and where the definition comes from.",
            tables=(figure_table(found.figures),),
        ),
        *([] if risk is None else [risk_part(risk)]),
        _data(history, book),
    )
    return chapter_of(history, period, parts)


def _evidence_part(evidence: Result) -> Part:
    return replace(result_part(evidence), title="What differs before breaks")


def risk_part(risk: RiskSection) -> Part:
    """The replay of break risk as a part of a page."""
    table = Table(title="How the warnings scored", columns=risk.columns, rows=risk.rows)
    pictures = (Picture(title="Break risk, replayed", svg=risk.svg, text=risk.text, table=table),) if risk.svg else ()
    return Part(
        title="Break risk, replayed",
        sentence=risk.headline,
        pictures=pictures,
        tables=() if not risk.rows else (table,),
        text="" if risk.svg else risk.text,
        advisory=True,
    )


def _headline(history: History, book: Ledger, found: Efficiency) -> Part:
    told = tell_efficiency(history, book, found)
    return Part(
        title="In short",
        sentence=sentence_case(told.sentence),
        tiles=_tiles(history, book, found),
        cautions=told.cautions,
        advisory=True,
    )


def _tiles(history: History, book: Ledger, found: Efficiency) -> tuple[Tile, ...]:
    day = found.breaks.per(24.0)
    breaks = [d for d in history.downtimes if d.kind == "break"]
    begun = [d for d in breaks if book.period.holds(d.started_ms)]
    lost = lost_in(book, breaks)
    cost = money_of(history, lost_t=lost.tonnes_t, broke_t=None)
    median = found.figure("median time to restore the sheet").value
    return (
        Tile(
            name="time efficiency",
            value=percent(found.figure("time efficiency").value, missing=MISSING),
            note=f"on the reel {length(found.on_reel_ms)} of {length(found.available_ms)}",
        ),
        Tile(
            name="primary breaks a day on the reel",
            value=number(day[0] if day else None, 2),
            note=f"{day[1]:.2f} to {day[2]:.2f}, exact 95 %" if day else "nothing was on the reel",
        ),
        Tile(
            name="time to restore the sheet",
            value=f"{number(median, 0)} min",
            note="median of the finished breaks",
        ),
        Tile(
            name="paper not made for breaks",
            value=f"{number(lost.tonnes_t, 0)} t",
            note=f"margin {number(cost, 0, MISSING)}{f' {history.mill.currency}' if cost is not None else ''}",
        ),
        Tile(
            name="breaks to be coded",
            value=str(sum(d.cause is None for d in begun)),
            note=f"of {len(begun)} that began",
        ),
    )


def _time(history: History, book: Ledger) -> tuple[Part, ...]:
    shares, days = time_pictures(history, book)
    return (
        Part(
            title="Day by day",
            sentence=sentence_case(bands.days_said(book, history.mill.zone)),
            pictures=(days,),
        ),
        Part(
            title="Where the time went",
            sentence=f"Every millisecond of the period stands in exactly one class; {_largest_loss(book)}.",
            pictures=(shares,),
            tables=(ledger_table(book),),
            folded=tuple(split_table(book, split) for split in ("state", "crew", "grade")),
        ),
        _loss_part(history, book),
    )


def _loss_part(history: History, book: Ledger) -> Part:
    clustered = cluster_table(history, book)
    return Part(
        title="Losses beside a published guideline",
        sentence=sentence_case(losses_said(history, book)),
        tables=(losses_table(history, book),),
        folded=(clustered,) if clustered.rows else (),
    )


def _restarts(history: History, paper: Specification | None) -> tuple[Part, ...]:
    if paper is None:
        return ()
    return (
        Part(
            title="After the sheet is back",
            sentence=sentence_case(offspec_said(paper)),
            tables=(offspec_table(paper),),
            folded=(clock_table(history, paper),) if paper.clocks else (),
        ),
    )


def _largest_loss(book: Ledger) -> str:
    losses = {c: ms for c, ms in book.ms.items() if c not in (Class.ON_REEL, Class.NO_DATA) and ms}
    if not losses:
        return "the sheet never left the reel"
    worst = max(losses, key=losses.__getitem__)
    return f"the largest loss is {worst.value}, {length(losses[worst])}"


def _losses(history: History, book: Ledger) -> tuple[Part, ...]:
    more = tuple(
        pareto_table(pareto(history, book, by), history) for by in ("crew", "shift", "grade", "hour", "weekday")
    )
    return (
        _ranking(history, book, "section", "Where the sheet was lost"),
        _ranking(history, book, "cause", "Why it was lost", more),
        _worth(history, book),
    )


def _worth(history: History, book: Ledger) -> Part:
    found = {by: worth(history, book, by) for by in ("section", "cause", "crew")}
    told = {by: tell_worth(history, book, one, by) for by, one in found.items()}
    first, result = found["section"], told["section"]
    return Part(
        title="What it costs a year",
        sentence=sentence_case(result.sentence),
        pictures=(worth_picture(history, first, result.tables[0]),) if first and first.costs else (),
        folded=(*told["cause"].tables, *told["crew"].tables),
        cautions=result.cautions,
    )


def _ranking(history: History, book: Ledger, by: str, title: str, more: tuple[Table, ...] = ()) -> Part:
    found = pareto(history, book, by)
    told = tell_pareto(history, book, found)
    return Part(
        title=title,
        sentence=sentence_case(told.sentence),
        pictures=(pareto_picture(history, found),) if found.bars else (),
        folded=(*told.tables[1:], *more),
        cautions=told.cautions,
    )


def _paper(history: History, book: Ledger, broke: Result) -> tuple[Part, Part]:
    told = tell_production(history, book)
    return (
        Part(title="Paper", sentence=sentence_case(told.sentence), tables=told.tables),
        Part(
            title="Broke",
            sentence=sentence_case(broke.sentence),
            tables=broke.tables[:1],
            folded=broke.tables[1:],
            cautions=broke.cautions,
        ),
    )


def _last_shift(history: History, period: Period) -> tuple[Part, ...]:
    whole = [s for s in history.shifts if s.started_ms >= period.from_ms and s.ended_ms <= period.to_ms]
    if not whole:
        return ()
    review = shift_review(history, shift_period(whole[-1]))
    told = tell_shift(history, review)
    return (
        Part(
            title=f"The last whole shift: {review.period.name}",
            sentence=sentence_case(told.sentence),
            pictures=(shift_picture(history, review),),
            tables=told.tables[:1],
            folded=told.tables[1:],
        ),
    )


def time_pictures(history: History, book: Ledger) -> tuple[Picture, ...]:
    """The shares of the time ledger, and day by day."""
    prefix = plain_id(history.machine.machine)
    return (
        bands.ledger_bar(book, ledger_table(book), f"{prefix}-share"),
        bands.day_bands(book, history.mill.zone, f"{prefix}-days"),
    )


def pareto_picture(history: History, found: Pareto) -> Picture:
    """The bars of a Pareto."""
    prefix = plain_id(history.machine.machine)
    return pareto_bars(found, pareto_table(found, history), history.mill.currency, f"{prefix}-pareto")


def worth_picture(history: History, found: Worth, table: Table) -> Picture:
    """What it would be worth a year to be rid of each."""
    return worth_bars(found, table, history.mill.currency, f"{plain_id(history.machine.machine)}-worth")


def shift_picture(history: History, review: ShiftReview) -> Picture:
    """The band of one shift, its downtimes numbered as in their table."""
    marks = {key: str(number) for key, number in numbers_by_time(review.downtimes).items()}
    return bands.timeline(review.book, history.mill.zone, marks, f"{plain_id(history.machine.machine)}-line")


def _data(history: History, book: Ledger) -> Part:
    told = tell_quality(history, book)
    return Part(
        title="How good the data are",
        sentence=sentence_case(told.sentence),
        tables=told.tables[:1],
        folded=told.tables[1:],
    )
