"""Tags before a break beside its quiet runs, in words."""

from __future__ import annotations

from typing import Any

from analysis.dossier.answer import Dossier
from analysis.dossier.telling.common import subject
from analysis.dossier.unusual import Unusual, expected_beyond
from analysis.evidence.settings import Statistic
from analysis.result import NOTHING, Result, Table, signed
from analysis.runnability.telling.wording import amount, listed, plain
from analysis.telling.common import iso

MOST_TAGS = 12
NOT_A_CAUSE = (
    "What was unusual before one break may have been so by chance, or have followed from a third thing: 'breakhorn "
    "evidence' asks whether it comes back before other breaks."
)
_HOW = {Statistic.LEVEL: "level", Statistic.AWAY: "level less the run's normal", Statistic.SPREAD: "unrest"}


def tag_part(found: Dossier) -> Result:
    """The most unusual tags, and apart those called results."""
    beside = found.beside
    tables = [_tag_table("Tags, the most unusual first", beside.process)] if beside.process else []
    if beside.results:
        tables.append(
            _tag_table("Apart: tags called results or context, which follow more than they lead", beside.results)
        )
    return Result(
        title="Tags before it, beside quiet runs",
        subject=subject(found),
        sentence=_tags_said(found),
        tables=tuple(tables),
        values={
            "quiet_runs_end_at": []
            if beside.matching is None
            else [iso(int(ms)) for ms in beside.matching.quiet.at_ms],
            "reason": beside.reason or None,
            "window_min": [-10, -2],
            "tags": [_tag_values(u) for u in beside.process],
            "results": [_tag_values(u) for u in beside.results],
        },
        cautions=(NOT_A_CAUSE,) if beside.process else (),
    )


def _tags_said(found: Dossier) -> str:
    beside = found.beside
    if not beside.process:
        return f"no tags are shown: {beside.reason or 'too few quiet runs like it are known'}."
    out = [u for u in beside.process if u.out]
    beyond = sum(u.outermost for u in beside.process)
    chance = expected_beyond(len(beside.process), beside.quiet)
    shown = listed([_one_said(u) for u in out[:3]]) if out else "no tag stood out"
    return (
        f"{shown}; {beyond} of {len(beside.process)} tags lay beyond all {beside.quiet} quiet runs in level, where "
        f"chance alone brings about {chance:.0f}."
    )


def _one_said(one: Unusual) -> str:
    way = "restless" if one.statistic is Statistic.SPREAD else "high" if one.by > 0 else "low"
    since = f" from {one.left_min} min before" if one.left_min is not None else ""
    return f"{one.tag.tag} was {way}{since}"


def _tag_table(title: str, tags: tuple[Unusual, ...]) -> Table:
    return Table(
        title=title,
        columns=(
            "tag",
            "unit",
            "by its",
            "before it",
            "quiet runs",
            "middle four fifths",
            "off",
            "as far out",
            "out since",
        ),
        rows=tuple(_tag_row(u) for u in tags[:MOST_TAGS]),
        numbers=frozenset({3, 4, 6}),
        note="10 to 2 min before the loss against quiet runs of the same machine, grade and speed, as long after the "
        "sheet's return. Off: robust standard deviations from the quiet runs' median. As far out: quiet runs that lay "
        "as far out on that side. Out since: minutes before the loss from which on it stayed outside the band.",
    )


def _tag_row(u: Unusual) -> tuple[str, ...]:
    digits = 3 if abs(u.middle) < 10 else 1
    return (
        u.tag.tag,
        u.tag.unit,
        _HOW[u.statistic],
        amount(u.level, digits),
        amount(u.middle, digits),
        f"{amount(u.low, digits)} to {amount(u.high, digits)}",
        signed(f"{u.by:+.1f}"),
        f"{u.beyond} of {u.quiet}",
        NOTHING if u.left_min is None else f"{u.left_min} min",
    )


def _tag_values(u: Unusual) -> dict[str, Any]:
    return {
        "tag": u.tag.tag,
        "unit": u.tag.unit or None,
        "by": u.statistic.value,
        "level": plain(u.level),
        "quiet": {"median": plain(u.middle), "low": plain(u.low), "high": plain(u.high), "runs": u.quiet},
        "off": round(u.by, 2),
        "as_far_out": u.beyond,
        "out": u.out,
        "out_since_min": u.left_min,
    }
