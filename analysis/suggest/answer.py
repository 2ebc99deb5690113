"""From an open store to the suggested causes of some breaks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analysis.evidence.cells import Frames, wanted
from analysis.evidence.course import Course
from analysis.evidence.matching import Matching, match
from analysis.evidence.reading import Progress, read_cells, read_course, read_tags
from analysis.evidence.settings import DAY_MS, EvidenceSettings
from analysis.history import History
from analysis.period import Period
from analysis.read import Store
from analysis.risk.rows import Ints
from analysis.suggest.departed import Departure, amounts, departures, same_in, states_of
from analysis.suggest.judge import Judged, judge
from analysis.suggest.known import Cause, Known, coded
from analysis.suggest.model import Learner, States, Suggested
from analysis.suggest.reading import read_breaks, read_causes, read_few
from analysis.suggest.rules import RULES, Rule
from analysis.suggest.settings import SuggestSettings, coded_settings

if TYPE_CHECKING:
    from analysis.figures.shift_review import ShiftReview


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """What may have caused one break.

    causes
        Causes with their probability, the likeliest first.
    learned_from
        Coded breaks before it from which that was learned.
    signs
        Rules whose sign was there.
    departed
        Tags that had left their usual course; empty where they were not looked at or none had.
    """

    known: Known
    causes: tuple[Suggested, ...]
    learned_from: int
    signs: tuple[Rule, ...] = ()
    departed: tuple[Departure, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Breaks:
    """Every break of a machine and the mill's causes: all that is needed to suggest without tags."""

    all: tuple[Known, ...]
    causes: tuple[Cause, ...]
    settings: SuggestSettings = field(default_factory=SuggestSettings)

    @property
    def codes(self) -> frozenset[str]:
        """The mill's codes."""
        return frozenset(c.code for c in self.causes)

    def coded_before(self, at_ms: int) -> list[Known]:
        """Breaks lost before a moment whose cause is coded and names something."""
        return coded(self.all, self.causes, before_ms=at_ms)

    def waits(self, one: Known) -> bool:
        """Whether a break still waits for a cause that names something."""
        return one.cause is None or any(c.code == one.cause and not c.nameable for c in self.causes)

    def find(self, downtime_id: str) -> Known | None:
        """One break; None for what is none."""
        return next((b for b in self.all if b.downtime_id == downtime_id), None)


def breaks_of(store: Store, machine: str, settings: SuggestSettings | None = None) -> Breaks:
    """Read every break of a machine."""
    settings = settings or SuggestSettings()
    return Breaks(all=read_breaks(store, machine, settings), causes=read_causes(store), settings=settings)


def plainly(breaks: Breaks, asked: Sequence[Known]) -> list[Suggestion]:
    """Suggestions from section and signs alone: no sample is read."""
    learner = Learner(settings=breaks.settings, codes=breaks.codes)
    waiting = coded(breaks.all, breaks.causes)
    found: dict[str, Suggestion] = {}
    for one in sorted(asked, key=lambda b: b.started_ms):
        while waiting and waiting[0].started_ms < one.started_ms:
            learner.add(waiting.pop(0))
        found[one.downtime_id] = conclude(learner, one, (), breaks.settings)
    return [found[one.downtime_id] for one in asked]


def closely(
    store: Store, history: History, breaks: Breaks, asked: Sequence[Known], progress: Progress | None = None
) -> list[Suggestion]:
    """Suggestions from section, signs and tags. Samples are read; those without quiet runs fall back on the rest."""
    if not asked:
        return []
    departed, course = _departed(store, history, breaks, asked, progress)
    return with_departures(store, breaks, asked, departed, course)


def with_departures(
    store: Store, breaks: Breaks, asked: Sequence[Known], departed: Mapping[str, tuple[Departure, ...]], course: Course
) -> list[Suggestion]:
    """Suggestions, once it is known which tags had departed before each break."""
    past = {b.downtime_id: b for a in asked if departed.get(a.downtime_id) for b in newest_coded(breaks, a)}
    elsewhere = Elsewhere(store, breaks.settings, course, departed, list(past.values()))
    return [with_tags(breaks, one, departed.get(one.downtime_id, ()), elsewhere) for one in asked]


def newest_coded(breaks: Breaks, one: Known) -> list[Known]:
    """The coded breaks before one of which tags are read."""
    return breaks.coded_before(one.started_ms)[-breaks.settings.most_coded :]


def with_tags(breaks: Breaks, one: Known, departed: tuple[Departure, ...], elsewhere: Elsewhere) -> Suggestion:
    """The suggestion for one break. All coded breaks before it count; tags are known of those that were read."""
    learner = Learner(settings=breaks.settings, codes=breaks.codes)
    for other in breaks.coded_before(one.started_ms):
        learner.add(other, elsewhere.states(departed, other))
    return conclude(learner, one, departed, breaks.settings)


def conclude(learner: Learner, one: Known, departed: tuple[Departure, ...], settings: SuggestSettings) -> Suggestion:
    """The suggestion for one break from what was learned."""
    return Suggestion(
        known=one,
        causes=tuple(learner.suggest(one, states_of(departed, settings))),
        learned_from=learner.learned_from,
        signs=tuple(rule for rule in RULES if rule.sign(one, settings)),
        departed=departed,
    )


def for_shift(store: Store, machine: str, review: ShiftReview) -> dict[str, list[tuple[str, float]]]:
    """The two likeliest causes of each break that a shift still has to code, from section and signs alone."""
    waiting = [row.downtime for row in review.downtimes if row.to_code]
    if not waiting:
        return {}
    breaks = breaks_of(store, machine)
    known = [one for d in waiting if (one := breaks.find(d.downtime_id)) is not None]
    found = plainly(breaks, known)
    return {s.known.downtime_id: [(c.code, c.probability) for c in s.causes[:2]] for s in found if s.causes}


def judged_plainly(breaks: Breaks) -> Judged | None:
    """Judge suggestions without tags, forward in time."""
    return judge(coded(breaks.all, breaks.causes), breaks.settings, breaks.codes)


def judged_closely(
    store: Store, history: History, breaks: Breaks, progress: Progress | None = None
) -> tuple[Judged | None, list[Suggestion]]:
    """Judge suggestions with tags, forward in time; the suggestions as well. Reads samples of every coded break."""
    asked = coded(breaks.all, breaks.causes)
    found = closely(store, history, breaks, asked, progress)
    return judge(asked, breaks.settings, breaks.codes, suggestions=[list(s.causes) for s in found]), found


def whole_history(store: Store, history: History) -> History:
    """The history of a machine over all its data."""
    machine = history.machine
    return store.history(machine, Period(from_ms=machine.first_ms or 0, to_ms=history.horizon_ms + 1))


class Elsewhere:
    """What the departed tags of some breaks had done before other breaks."""

    def __init__(
        self,
        store: Store,
        settings: SuggestSettings,
        course: Course,
        departed: Mapping[str, tuple[Departure, ...]],
        others: Sequence[Known],
    ) -> None:
        """Read them all at once: a query costs more than what it reads of a few tags."""
        self._settings = settings
        tags = {d.tag.tag: d.tag for own in departed.values() for d in own}
        ordered = sorted(others, key=lambda b: b.started_ms) if tags else []
        self._place = {b.downtime_id: n for n, b in enumerate(ordered)}
        self._row = {name: n for n, name in enumerate(sorted(tags))}
        read = coded_settings()
        at = course.at(np.array([b.started_ms for b in ordered], np.int64))
        asked = wanted((at,), course.past, read)
        cells = read_few(store, [tags[name] for name in self._row], asked.minutes)
        self._amounts = amounts(asked.frames(cells), read)

    def states(self, departed: Sequence[Departure], other: Known) -> States:
        """Of each departed tag of one break: what it had done before another; empty if that was not read."""
        place = self._place.get(other.downtime_id)
        if place is None:
            return {}
        rows = [self._row[d.tag.tag] for d in departed]
        return same_in(departed, self._amounts, rows, place, self._settings)


def _departed(
    store: Store, history: History, breaks: Breaks, asked: Sequence[Known], progress: Progress | None
) -> tuple[dict[str, tuple[Departure, ...]], Course]:
    settings = coded_settings()
    course, matching = matched(store, history, asked, settings)
    want = wanted((matching.at, matching.quiet), course.past, settings)
    tags = read_tags(store.connection, history.machine.machine)
    frames = want.frames(read_cells(store.connection, tags, want.minutes, progress))
    return departures_of(frames, matching, breaks.settings, settings), course


def matched(
    store: Store, history: History, asked: Sequence[Known], settings: EvidenceSettings
) -> tuple[Course, Matching]:
    """The course of the machine about some breaks, and their quiet runs."""
    machine = history.machine
    wide = round(settings.near_days * DAY_MS)
    period = Period(
        from_ms=max(min(a.started_ms for a in asked) - wide, machine.first_ms or 0),
        to_ms=min(max(a.started_ms for a in asked) + wide, history.horizon_ms + 1),
    )
    course = read_course(store.connection, machine.machine, period, settings, until_ms=history.horizon_ms + 1)
    wanted_ids = {a.downtime_id for a in asked}
    return course, match([d for d in history.downtimes if d.downtime_id in wanted_ids], course, period, settings)


def departures_of(
    frames: Frames,
    matching: Matching,
    settings: SuggestSettings,
    evidence: EvidenceSettings,
    rows: Sequence[int] | None = None,
) -> dict[str, tuple[Departure, ...]]:
    """The departed tags of each matched break, by its id.

    rows
        Only these of the tags that were read.
    """
    of_tags = amounts(frames, evidence)
    if rows is not None:
        left_out = np.setdiff1d(np.arange(of_tags.shape[1]), rows)
        of_tags[:, left_out] = np.nan
    return {
        d.downtime_id: departures(frames, of_tags, n, quiet_of(matching, n), settings)
        for n, d in enumerate(matching.breaks)
    }


def quiet_of(matching: Matching, number: int) -> Ints:
    """The quiet runs of one break, by their number among all moments."""
    own = matching.controls[number]
    found: Ints = len(matching) + own[own >= 0]
    return found
