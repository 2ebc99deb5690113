"""Every number the risk model can be told, with its default and its reason."""

from __future__ import annotations

from dataclasses import dataclass

MINUTE_MS = 60_000
MOST_BUDGET = 3.0
"""More false warnings a shift than this are not listened to: hard cap, common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskSettings:
    """How breaks are looked ahead for, how the model is judged, and when a warning stays silent.

    horizon_min
        A warning says: a break within this. [min]
    windows_min
        Trailing windows over which a tag is summed up, shortest first. [min]
    lead_min
        A break counts as warned only if a warning came at least this long before it. [min]
    budget
        False warnings that the crew is asked to bear in a shift, on average; above 0, at most 3.
    shift_h
        Length of the shift that the budget refers to. [h]
    quiet_on_reel_min
        No scoring this soon after the sheet's return: those minutes are the restart's, not the process's. [min]
    quiet_grade_change_min
        No warning this soon after a change of grade or shade. [min]
    repeat_min
        At least this long between two warnings. [min]
    secondary_within_min
        A break this soon after the sheet's return is secondary; used only where the store cannot say. [min]
    normal_after_min
        The grade run's own normal is not known before it has this much of steady running. [min]
    first_share, warm_up_share
        Share of all breaks that the first model learns from; share after it that only sets the calibration and the
        warning level. The rest is judged, in ``blocks`` parts.
    level_days
        The warning level is set anew each day, so that it would have kept the budget over so many days before. [d]
    thin
        The model learns from every ``thin``-th minute: neighbouring minutes are near-copies.
    most_features
        Besides level and distance from normal of every tag the additive model looks at no more than this many tag
        features; with some hundred breaks more cannot be told from luck.
    least_breaks
        Fewer primary breaks than this are not worth a model.
    """

    horizon_min: int = 30
    windows_min: tuple[int, int, int] = (5, 15, 60)
    lead_min: int = 10
    budget: float = 1.0
    shift_h: float = 12.0
    quiet_on_reel_min: int = 15
    quiet_grade_change_min: int = 30
    repeat_min: int = 20
    secondary_within_min: float = 30.0
    normal_after_min: int = 60
    first_share: float = 0.35
    warm_up_share: float = 0.10
    blocks: int = 5
    level_days: int = 14
    thin: int = 10
    most_features: int = 4
    least_breaks: int = 30
    seed: int = 20260301

    def __post_init__(self) -> None:
        """Refuse a budget that nobody could bear, and shares that leave nothing to judge."""
        if not 0 < self.budget <= MOST_BUDGET:
            raise ValueError(f"the budget of false warnings must be above 0 and at most {MOST_BUDGET:g} a shift")
        if not 0 < self.first_share < self.first_share + self.warm_up_share < 1:
            raise ValueError("first_share and warm_up_share must be above 0 and leave something to judge")

    @property
    def horizon_ms(self) -> int:
        """The horizon. [ms]"""
        return self.horizon_min * MINUTE_MS

    @property
    def purge_ms(self) -> int:
        """Horizon and longest window: nothing learnt from may lie nearer to what is judged. [ms]"""
        return (self.horizon_min + max(self.windows_min)) * MINUTE_MS
