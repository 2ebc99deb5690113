"""What could be known at best, where the true hazard is known because the machine was simulated."""

from __future__ import annotations

import numpy as np

from analysis.risk.contender import TRUTH
from analysis.risk.forecast import ADDITIVE, CHANCE
from analysis.risk.judge import REPEATS, Judgement
from analysis.risk.rows import DAY_MS
from analysis.risk.score import Resampling


def share_of_achievable(judgement: Judgement, name: str = ADDITIVE) -> dict[str, float]:
    """How much of the truth's own skill a contender reaches, by measure: 0 none, 1 all, above 1 a leak or luck.

    Needs a judgement with ``truth``.
    """
    ours, ceiling = judgement.named(name), judgement.named(TRUTH)
    base = judgement.base_rate
    nothing = judgement.named(CHANCE)
    return {
        "area": (ours.area.value - 0.5) / (ceiling.area.value - 0.5),
        "average precision": (ours.average_precision.value - base) / (ceiling.average_precision.value - base),
        "breaks warned of": (ours.at_budget.value - nothing.at_budget.value)
        / (ceiling.at_budget.value - nothing.at_budget.value),
    }


def beats_the_truth(judgement: Judgement, name: str = ADDITIVE) -> bool:
    """Whether a contender ranks minutes better than the true hazard, beyond luck: then it must have seen the future."""
    decided = np.flatnonzero(judgement.rows.outcome >= 0)
    outcome = judgement.rows.outcome[decided]
    days = Resampling.of(judgement.rows.at_ms[decided] // DAY_MS, REPEATS, judgement.settings.seed)
    ours, ceiling = (days.ranking(outcome, judgement.named(n).score[decided])[1] for n in (name, TRUTH))
    return bool(np.nanquantile(ours - ceiling, 0.025) > 0)
