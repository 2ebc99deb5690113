"""Every number that suggestions depend on, with its reason."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.evidence.settings import EvidenceSettings, Window


@dataclass(frozen=True, slots=True, kw_only=True)
class SuggestSettings:
    """How much coded breaks must say before they are believed, and what counts as a departure.

    prior_breaks
        The rules' own shares count as so many coded breaks; the mill's own codes outweigh them once there are more.
    section_breaks, rule_breaks, tag_breaks
        A cause's share of breaks at a section, with a rule's sign, or with a tag out of band is drawn towards that of
        all coded breaks as if so many breaks had been seen that say nothing.
    departed
        A tag has departed if its distance from the run's own normal lies so many robust standard deviations from that
        of the quiet runs.
    most_tags
        No more than so many tags, the furthest departed, speak about one break.
    most_coded
        Tags are read of no more than so many coded breaks, the newest.
    least_to_judge
        The judgement forward in time begins with so many coded breaks to learn from.
    least_quiet
        With fewer quiet runs a tag's usual distance is not known.
    flickers, flicker_within_h
        A detector is doubtful if it flickered so often on a day whose last flicker is no older. [h]
    grade_change_min, restart_min
        How long a change of grade, and the sheet's return, count as just before. [min]
    """

    prior_breaks: float = 10.0
    section_breaks: float = 2.0
    rule_breaks: float = 6.0
    tag_breaks: float = 4.0
    departed: float = 3.0
    most_tags: int = 4
    most_coded: int = 150
    least_to_judge: int = 20
    least_quiet: int = 5
    flickers: int = 3
    flicker_within_h: int = 12
    grade_change_min: float = 30.0
    restart_min: float = 60.0


WINDOW = Window(start=-10, end=-2)
"""Where a departure is looked for: the last window of the search for evidence, which ends before the break shows."""


QUIET_RUNS = 10
"""Quiet runs of one break: more than the search for evidence takes, since one break has to stand alone."""


def quiet_settings(controls: int = QUIET_RUNS) -> EvidenceSettings:
    """How the quiet runs of one break are matched: as for evidence, but more of them, since it stands alone."""
    return EvidenceSettings(controls=controls, normal_h=8, normal_after_h=1)


def coded_settings() -> EvidenceSettings:
    """What is read of coded breaks: the last window and the run's own normal, nothing else."""
    return EvidenceSettings(controls=QUIET_RUNS, windows=(WINDOW,), normal_h=8, normal_after_h=1, after_min=0)
