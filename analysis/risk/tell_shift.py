"""What the replay has to say of one shift: the shift's own answer first, then how much it is worth."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from analysis.period import Period, say
from analysis.result import Result, count
from analysis.risk.judge import Judgement
from analysis.risk.replay import Replay
from analysis.risk.tell import break_table, cautions_of, replay_values, score_table, values_of, warning_table
from analysis.risk.warn import Fate
from analysis.telling.common import iso


def tell_shift(
    machine: str, shift: Period, judgement: Judgement, replayed: Replay, zone: ZoneInfo, null: Judgement | None
) -> Result:
    """Breaks and warnings of the shift; the verdict on all judged days stands right below, as the caution that it is.

    replayed
        Of that shift alone.
    """
    judged = f"{say(judgement.from_ms, zone)} to {say(judgement.to_ms, zone)}"
    named = {"name": shift.name, "from": iso(shift.from_ms), "to": iso(shift.to_ms), "counts": _counts(replayed)}
    verdict = judgement.verdict.sentence
    return Result(
        title="Break risk, one shift replayed",
        subject=f"{machine}, {shift.name}",
        sentence=_sentence(replayed, judgement.settings.lead_min),
        tables=(break_table(replayed, zone), warning_table(replayed, zone), score_table(judgement, null)),
        values=values_of(judgement, null) | replay_values(replayed) | {"shift": named, "verdict": verdict},
        cautions=(f"All judged days, {judged}: {verdict}", *cautions_of(judgement)),
    )


def _counts(replayed: Replay) -> dict[str, int]:
    fates = [warning.fate for warning in replayed.warnings]
    return {
        "breaks": len(replayed.breaks),
        "warned_of": sum(one.lead_min is not None for one in replayed.breaks),
        "warnings": len(fates),
        "false_warnings": fates.count(Fate.FALSE),
    }


def _sentence(replayed: Replay, lead_min: int) -> str:
    counts = _counts(replayed)
    broke = "no primary break"
    if counts["breaks"]:
        broke = (
            f"{count(counts['breaks'], 'primary break')}, {counts['warned_of']} warned of {lead_min} min ahead or more"
        )
    warned = "no warning"
    if counts["warnings"]:
        warned = f"{count(counts['warnings'], 'warning')}, {counts['false_warnings']} of them false"
    return f"{broke}; {warned}."
