"""The judging and the replay in words and tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any
from zoneinfo import ZoneInfo

from analysis.period import Period, say
from analysis.result import NOTHING, Result, Table, number, percent
from analysis.risk.contender import BUDGETS, Contender
from analysis.risk.explain import CAUTION, Effect, odds_of
from analysis.risk.exposure import Exposure
from analysis.risk.forecast import ADDITIVE, BOOSTED
from analysis.risk.judge import Judgement
from analysis.risk.replay import Replay
from analysis.risk.score import Interval
from analysis.telling.common import iso

MOST_EFFECTS = 12
OWN_HAZARD = (
    "The demo mill's breaks come out of a hazard of our own making: that a model finds some of it proves little about "
    "a real machine."
)


def score_table(judgement: Judgement, null: Judgement | None = None) -> Table:
    """How every contender did; ``null`` adds the additive model on features that have nothing to do with the breaks."""
    rows = [_score_row(c, c.name, judgement) for c in judgement.contenders]
    if null is not None:
        rows.append(_score_row(null.named(ADDITIVE), "unrelated tags", null))
    settings = judgement.settings
    return Table(
        title="How the warnings scored",
        columns=(
            "forecaster",
            "warned of",
            "share",
            "95 %",
            "false a shift",
            "most in one",
            "lead min",
            f"at {settings.budget:g} a shift",
            "precision",
            "ranking",
            "Brier skill",
        ),
        rows=tuple(rows),
        numbers=frozenset(range(1, 11)),
        note=_how(judgement),
    )


def budget_table(judgement: Judgement) -> Table:
    """Share of breaks warned of at several budgets, each with its level chosen in hindsight."""
    return Table(
        title="What each budget of false warnings would buy",
        columns=("forecaster", *(f"{b:g} a shift" for b in BUDGETS)),
        rows=tuple((c.name, *(percent(c.bought[b], 0) for b in BUDGETS)) for c in judgement.contenders),
        numbers=frozenset(range(1, len(BUDGETS) + 1)),
        note="Levels chosen in hindsight, for all alike: what each could do at best at equal cost.",
    )


def calibration_table(judgement: Judgement) -> Table:
    """What was said against what came."""
    rows = [
        (c.name, percent(b.said), percent(b.came), f"{b.count:,}")
        for c in judgement.contenders
        if c.name in (ADDITIVE, BOOSTED)
        for b in c.calibration
    ]
    return Table(
        title=f"Said and come: a break within {judgement.settings.horizon_min} min",
        columns=("forecaster", "said", "came", "minutes"),
        rows=tuple(rows),
        numbers=frozenset({1, 2, 3}),
        note="Minutes in parts by what was said, equal but where the same was said of many. "
        "Neighbouring minutes tell of the same breaks.",
    )


def section_table(replayed: Replay) -> Table:
    """Hits and misses by section."""
    return Table(
        title="Breaks warned of, by section",
        columns=("section", "breaks", "warned of", "share", "95 % interval"),
        rows=tuple(
            (
                s.section,
                str(s.breaks),
                str(round(s.warned.value * s.breaks)),
                percent(s.warned.value, 0),
                _range(s.warned),
            )
            for s in replayed.sections
        ),
        numbers=frozenset({1, 2, 3, 4}),
    )


def break_table(replayed: Replay, zone: ZoneInfo) -> Table:
    """Every judged break, hit or missed."""
    return Table(
        title="Breaks, hit and missed",
        columns=("lost", "section", "warned", "lead min", "highest risk before"),
        rows=tuple(
            (
                say(b.started_ms, zone),
                b.section,
                "missed" if b.lead_min is None else "hit",
                number(b.lead_min, 0),
                percent(None if b.highest != b.highest else b.highest, 0),
            )
            for b in replayed.breaks
        ),
        numbers=frozenset({3, 4}),
    )


def warning_table(replayed: Replay, zone: ZoneInfo) -> Table:
    """Every warning with its odds and main reason."""
    return Table(
        title="Warnings",
        columns=("given", "risk", "odds", "fate", "lead min", "reasons"),
        rows=tuple(
            (
                say(w.at_ms, zone),
                percent(w.risk, 0),
                odds_of(w.risk),
                w.fate.value,
                number(w.lead_min, 0),
                "; ".join(r.sentence + (" (outside what was learnt from)" if r.outside else "") for r in w.reasons),
            )
            for w in replayed.warnings
        ),
        numbers=frozenset({1, 4}),
        note="late: nearer to the break than the lead asked for. undecided: something else ended the horizon.",
    )


def effect_table(effects: Sequence[Effect]) -> Table:
    """What drives the breaks, strongest first."""
    shown = [e for e in effects if e.certain][:MOST_EFFECTS]
    return Table(
        title="What goes with breaks on this machine",
        columns=("factor", "usually from", "to", "odds of a break ×", "95 % interval"),
        rows=tuple(
            (
                e.term.feature.words,
                f"{e.term.usual_low:.3g}",
                f"{e.term.usual_high:.3g} {e.term.feature.unit}".strip(),
                f"{e.times.value:.2f}",
                f"{e.times.low:.2f} to {e.times.high:.2f}",
            )
            for e in shown
        ),
        numbers=frozenset({1, 3, 4}),
        note=f"{len(effects) - len(shown)} more factors, whose interval holds no effect or which are weaker; of "
        f"{len(effects)} about {len(effects) / 20:.0f} would stand here by luck alone. {CAUTION}",
    )


def effect_values(effects: Sequence[Effect]) -> list[dict[str, Any]]:
    """The partial effects for programs: every factor, the strongest first."""
    return [
        {
            "factor": e.term.feature.name,
            "unit": e.term.feature.unit,
            "usual_low": e.term.usual_low,
            "usual_high": e.term.usual_high,
            "odds_times": asdict(e.times),
            "value": e.values.tolist(),
            "log_odds": e.curve.tolist(),
            "low": e.low.tolist(),
            "high": e.high.tolist(),
        }
        for e in effects
    ]


def tell_judgement(subject: str, judgement: Judgement, null: Judgement | None = None) -> Result:
    """The verdict first, then how everything scored."""
    return Result(
        title="Break risk, judged",
        subject=subject,
        sentence=judgement.verdict.sentence,
        tables=(score_table(judgement, null), budget_table(judgement), calibration_table(judgement)),
        values=values_of(judgement, null),
        cautions=cautions_of(judgement),
    )


def tell_replay(subject: str, judgement: Judgement, replayed: Replay, zone: ZoneInfo, null: Judgement | None) -> Result:
    """The verdict first, then the judged days."""
    return Result(
        title="Break risk, replayed",
        subject=subject,
        sentence=judgement.verdict.sentence,
        tables=(
            score_table(judgement, null),
            section_table(replayed),
            break_table(replayed, zone),
            warning_table(replayed, zone),
        ),
        values=values_of(judgement, null) | replay_values(replayed),
        cautions=cautions_of(judgement),
    )


def cautions_of(judgement: Judgement) -> tuple[str, ...]:
    """What a reader should mend or doubt."""
    suspects = [
        f'{words} ranks minutes before breaks too well to foresee them: it may show them. Mark its tag use = "result".'
        for words in judgement.suspects
    ]
    return tuple(suspects)


def values_of(judgement: Judgement, null: Judgement | None) -> dict[str, Any]:
    """The judging for programs; shares and chances as fractions."""
    verdict = judgement.verdict
    return {
        "judged_from": iso(judgement.from_ms),
        "judged_to": iso(judgement.to_ms),
        "primary_breaks": len(judgement.judged),
        "shifts": judgement.shifts,
        "base_rate": judgement.base_rate,
        "beats_plain_rules": verdict.beats,
        "finding": verdict.finding,
        "best_rule": verdict.best_rule,
        "difference": asdict(verdict.difference) | {"p": verdict.p},
        "difference_at_budget": asdict(verdict.at_budget) | {"p": verdict.p_at_budget},
        "settings": asdict(judgement.settings),
        "contenders": [_contender_values(c) for c in judgement.contenders],
        "unrelated": None
        if null is None
        else _contender_values(null.named(ADDITIVE)) | {"finding": null.verdict.finding},
    }


def subject_of(machine: str, judgement: Judgement, zone: ZoneInfo) -> str:
    """Of what and when: the judged days, not those learnt from."""
    period = Period(from_ms=judgement.from_ms, to_ms=judgement.to_ms)
    return f"{machine}, judged {say(period.from_ms, zone)} to {say(period.to_ms, zone)}"


def learnt_said(exposure: Exposure) -> str:
    """What the model knew."""
    tags = len({f.tag for f in exposure.features if f.tag})
    return f"{len(exposure.rows):,} on-reel minutes, {len(exposure.breaks)} primary breaks, {tags} tags"


def _score_row(c: Contender, name: str, judgement: Judgement) -> tuple[str, ...]:
    return (
        name,
        f"{len(c.hits)} of {len(judgement.judged)}",
        percent(c.warned.value, 0),
        _range(c.warned),
        number(c.false_per_shift, 2),
        str(c.worst),
        number(c.lead_min, 0),
        percent(c.at_budget.value, 0),
        number(c.average_precision.value, 3),
        number(c.area.value, 2),
        NOTHING
        if c.skill is None
        else f"{number(c.skill.value, 3)} ({number(c.skill.low, 3)} to {number(c.skill.high, 3)})",
    )


def _how(judgement: Judgement) -> str:
    settings = judgement.settings
    apart = settings.horizon_min + max(settings.windows_min)
    return (
        f"Judged forward in time over {round(judgement.shifts, 1):g} shifts of {settings.shift_h:g} h, each block by "
        f"what ended at least {apart} min before it. Warned of: a warning came {settings.lead_min} to "
        f"{settings.horizon_min} min before the break. False: no loss followed; the level of a warning is set each day "
        "on the days before. "
        f"At {settings.budget:g} a shift: the share with the level set in hindsight. "
        f"Quiet for {settings.quiet_on_reel_min} min after a restart and {settings.quiet_grade_change_min} min after a "
        f"grade change; {settings.repeat_min} min between warnings. "
        f"Precision: average precision of the minutes, blind {judgement.base_rate:.3f}. Ranking: area under the ROC "
        "curve, blind 0.50. Brier skill: against the base rate known at the time."
    )


def _range(share: Interval) -> str:
    return f"{100 * share.low:.0f} to {100 * share.high:.0f} %"


def _contender_values(c: Contender) -> dict[str, Any]:
    return {
        "name": c.name,
        "warned": asdict(c.warned),
        "false_per_shift": c.false_per_shift,
        "false": c.false,
        "worst_shift": c.worst,
        "late": c.late,
        "undecided": c.undecided,
        "share_right": c.right,
        "median_lead_min": c.lead_min,
        "at_budget": asdict(c.at_budget),
        "average_precision": asdict(c.average_precision),
        "roc_area": asdict(c.area),
        "brier_skill": None if c.skill is None else asdict(c.skill),
        "calibration": [asdict(b) for b in c.calibration],
    }


def replay_values(replayed: Replay) -> dict[str, Any]:
    """The replay for programs."""
    return {
        "warnings": [
            {
                "at": iso(w.at_ms),
                "risk": w.risk,
                "fate": w.fate.value,
                "lead_min": w.lead_min,
                "downtime_id": w.downtime_id,
                "reasons": [r.sentence for r in w.reasons],
            }
            for w in replayed.warnings
        ],
        "breaks": [
            {"downtime_id": b.downtime_id, "section": b.section, "lead_min": b.lead_min} for b in replayed.breaks
        ],
    }
