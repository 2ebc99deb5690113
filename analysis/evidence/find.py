"""What was different before breaks: every tag, window and statistic against matched quiet runs, ranked. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from zoneinfo import ZoneInfo

import numpy as np

from analysis.evidence.cells import Frames, Tag
from analysis.evidence.course import Course
from analysis.evidence.effect import Auc, auc, false_discovery, judge_many, placements
from analysis.evidence.lead import Kind, Lead, WithLoss, lead_of, looks_like_a_result, with_loss
from analysis.evidence.matching import Matching
from analysis.evidence.settings import EvidenceSettings, Statistic, Window
from analysis.evidence.share import Share, attributable_share
from analysis.evidence.signals import STATISTICS, window_statistics
from analysis.evidence.strata import Split, adjusted, labels_of, split
from analysis.evidence.together import Looked, Together, together
from analysis.history import History
from analysis.period import local
from analysis.risk.rows import Floats, Ints

ALL = "all"
MOST_DETAILED = 10
"""Lead, share and strata are worked out for no more tags than this."""
MOST_PAIRED = 4
"""No more tags than this are looked at in pairs: each pair costs all others some of what can be shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Test:
    """One tag, window and statistic among some of the breaks; ``q`` is ``p`` adjusted for everything tested."""

    __test__ = False

    window: Window
    statistic: Statistic
    auc: Auc
    z: float
    p: float
    q: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Detail:
    """What else is known of a tag that stands out."""

    lead: Lead
    share: Share | None
    splits: Mapping[str, Split]
    undisturbed: Auc | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One tag, by the test in which it stands out most.

    among
        ``all``, or the section whose breaks it tells best.
    p, q
        Of the tag as a whole: of the largest of its tests, and that adjusted for all tags and parts tested.
    result_like
        Why it looks like a tag that moves because of breaks; None if it does not.
    """

    tag: Tag
    among: str
    best: Test
    p: float
    q: float
    moved: WithLoss
    detail: Detail | None = None
    result_like: Kind | None = None

    @property
    def upwards(self) -> bool:
        """Whether it lies higher before breaks."""
        return self.best.auc.value > 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything found.

    cluster
        Of each matched break: its mill day.
    parts
        Numbers of the breaks of each part that was tested: all of them, and sections with enough.
    findings
        Every tag that could be tested, the strongest first.
    tests
        How many tests were made.
    pairs
        Whether tags that are shown act together.
    """

    settings: EvidenceSettings
    matching: Matching
    frames: Frames
    cluster: Ints
    parts: Mapping[str, Ints] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    tests: int = 0
    pairs: tuple[Together, ...] = ()

    @property
    def shown(self) -> tuple[Finding, ...]:
        """What may be called different before breaks."""
        return tuple(f for f in self.findings if self.holds(f) and f.result_like is None)

    @property
    def result_like(self) -> tuple[Finding, ...]:
        """Tags that behave like results."""
        return tuple(f for f in self.findings if f.result_like is not None)

    def holds(self, finding: Finding) -> bool:
        """Whether a tag stands out beyond what is left to chance: as a whole, and in its best test."""
        level = self.settings.false_share
        return finding.q <= level and finding.best.q <= level

    def values(self, finding: Finding) -> Floats:
        """The number by which a tag stands out, of all moments: breaks first, then quiet runs."""
        number = self.frames.cells.number(finding.tag.tag)
        window = self.settings.windows.index(finding.best.window)
        found: Floats = _tag_values(self.frames, number, self.settings)[
            window, STATISTICS.index(finding.best.statistic)
        ]
        return found


def find(
    matching: Matching,
    frames: Frames,
    course: Course,
    history: History,
    settings: EvidenceSettings,
    *,
    alike: Sequence[str] = (),
) -> Evidence:
    """Test everything, rank it, and look closer at what stands out.

    alike
        Dimensions in which the breaks were chosen to be alike (``section``, ``cause``).
    """
    cluster = clusters_of(matching, history.mill.zone)
    evidence = Evidence(settings=settings, matching=matching, frames=frames, cluster=cluster)
    if len(matching) < settings.least_breaks or not frames.cells.tags:
        return evidence
    placed = _placed(frames, matching, settings)
    parts = _parts(matching, settings, alike)
    findings, tests = _rank(evidence, placed, parts)
    labels = labels_of(matching, course, history, asked=alike)
    evidence = replace(evidence, parts=parts, findings=findings, tests=tests)
    closer = [_closer(evidence, f, labels, detailed=n < MOST_DETAILED) for n, f in enumerate(findings)]
    return _compared(replace(evidence, findings=tuple(closer)))


def _compared(evidence: Evidence) -> Evidence:
    """With the strata of what is shown held against each other, and its strongest tags in pairs."""
    shown = [f for f in evidence.shown if f.detail is not None]
    splits = iter(adjusted([f.detail.splits for f in shown if f.detail is not None]))
    findings = tuple(
        replace(f, detail=replace(f.detail, splits=next(splits))) if f in shown and f.detail is not None else f
        for f in evidence.findings
    )
    looked = [Looked(tag=f.tag.tag, values=evidence.values(f), upwards=f.upwards) for f in shown if f.among == ALL][
        :MOST_PAIRED
    ]
    confidence = evidence.settings.confidence
    pairs = together(looked, evidence.matching, evidence.parts[ALL], evidence.cluster, confidence)
    return replace(evidence, findings=findings, pairs=pairs)


def clusters_of(matching: Matching, zone: ZoneInfo) -> Ints:
    """What belongs together: the breaks of one mill day, as the number of the day.

    Breaks of one bad day share whatever was wrong then, and are one observation more than so many.
    """
    days = [local(ms, zone).date().toordinal() for ms in matching.at.at_ms.tolist()]
    return np.array(days, np.int64)


def _parts(matching: Matching, settings: EvidenceSettings, alike: Sequence[str]) -> dict[str, Ints]:
    parts = {ALL: np.arange(len(matching))}
    if "section" in alike:
        return parts
    sections = np.array([d.section or "" for d in matching.breaks])
    for name in sorted(set(sections.tolist()) - {""}):
        own = np.flatnonzero(sections == name)
        if settings.least_for_comparing <= len(own) < len(matching):
            parts[name] = own
    return parts


def _tag_values(frames: Frames, tag: int, settings: EvidenceSettings) -> Floats:
    return window_statistics(
        frames.mean(tag),
        frames.variance(tag),
        _normal(frames, tag, settings),
        settings.windows,
        int(frames.offsets[0]),
        settings.least_share,
    )


def _normal(frames: Frames, tag: int, settings: EvidenceSettings) -> Floats:
    return frames.normal(tag, settings.normal_after_h * 60 // settings.normal_every_min)


def _placed(frames: Frames, matching: Matching, settings: EvidenceSettings) -> Floats:
    """Placements of every break in every test, shape (breaks, tags, tests of a tag)."""
    tags, within = len(frames.cells.tags), len(settings.windows) * len(STATISTICS)
    found = np.empty((len(matching), tags, within))
    for tag in range(tags):
        values = _tag_values(frames, tag, settings).reshape(within, -1)
        found[:, tag] = placements(values, len(matching), matching.controls).T
    return found


def _rank(evidence: Evidence, placed: Floats, parts: Mapping[str, Ints]) -> tuple[tuple[Finding, ...], int]:
    settings = evidence.settings
    tested = [
        judge_many(placed[own], evidence.cluster[own], flips=settings.flips, seed=settings.seed + n)
        for n, own in enumerate(parts.values())
    ]
    q = false_discovery(np.stack([t.p for t in tested]))
    group_q = false_discovery(np.stack([t.group_p for t in tested]))
    group_p = np.stack([t.group_p for t in tested])
    z = np.stack([np.abs(t.z) for t in tested])
    findings = []
    for tag in range(placed.shape[1]):
        if not np.isfinite(group_p[:, tag]).any():
            continue
        strength = np.nanmax(np.where(np.isnan(z[:, tag]), -1.0, z[:, tag]), axis=1)
        part = min(np.flatnonzero(np.isfinite(group_p[:, tag])), key=lambda n: (group_p[n, tag], -strength[n]))
        test = int(np.nanargmax(z[part, tag]))
        name, own = list(parts.items())[part]
        best = Test(
            window=settings.windows[test // len(STATISTICS)],
            statistic=STATISTICS[test % len(STATISTICS)],
            auc=auc(placed[own, tag, test], evidence.cluster[own], settings.confidence),
            z=float(tested[part].z[tag, test]),
            p=float(tested[part].p[tag, test]),
            q=float(q[part, tag, test]),
        )
        findings.append(
            Finding(
                tag=evidence.frames.cells.tags[tag],
                among=name,
                best=best,
                p=float(group_p[part, tag]),
                q=float(group_q[part, tag]),
                moved=with_loss(evidence.frames, evidence.matching, evidence.cluster, tag, settings, own),
            )
        )
    findings.sort(key=lambda f: (f.p, -abs(f.best.z), f.tag.tag))
    return tuple(findings), int(np.isfinite(q).sum())


def _closer(evidence: Evidence, found: Finding, labels: Mapping[str, Sequence[str]], *, detailed: bool) -> Finding:
    """A finding with what else is known of it, and whether it looks like a result."""
    holds = evidence.holds(found)
    if not detailed and not holds:
        return replace(found, result_like=looks_like_a_result(found.moved, None, None, None))
    detail = _detail(evidence, found, labels)
    like = looks_like_a_result(
        found.moved,
        detail.lead if holds else None,
        detail.undisturbed,
        found.best.auc if holds else None,
    )
    return replace(found, detail=detail, result_like=like)


def _detail(evidence: Evidence, found: Finding, labels: Mapping[str, Sequence[str]]) -> Detail:
    settings, matching, frames = evidence.settings, evidence.matching, evidence.frames
    own = evidence.parts[found.among]
    number = frames.cells.number(found.tag.tag)
    values = evidence.values(found)
    placed = placements(values, len(matching), matching.controls)
    kept = np.zeros(len(matching), bool)
    kept[own] = True
    long_back = np.flatnonzero(kept & (matching.at.on_reel_min >= settings.undisturbed_h * 60))
    enough = np.isfinite(placed[long_back]).sum() >= settings.least_for_comparing
    grade = np.concatenate((matching.at.grade, matching.quiet.grade))
    return Detail(
        lead=lead_of(
            frames,
            matching,
            evidence.cluster,
            number,
            found.best.statistic,
            _normal(frames, number, settings),
            settings,
            own,
        ),
        share=_share(evidence, found, values, own, grade),
        splits={
            name: split(name, [of_all[n] for n in own], placed[own], evidence.cluster[own], settings)
            for name, of_all in labels.items()
            if len({of_all[n] for n in own}) > 1
        },
        undisturbed=auc(placed[long_back], evidence.cluster[long_back], settings.confidence) if enough else None,
    )


def _share(evidence: Evidence, found: Finding, values: Floats, own: Ints, grade: Ints) -> Share | None:
    """The share of the breaks of the finding's own part."""
    matching = evidence.matching
    controls = matching.controls[own]
    breaks = len(matching)
    used = np.unique(controls[controls >= 0])
    renumbered = np.where(controls >= 0, np.searchsorted(used, controls), -1)
    chosen = np.concatenate((own, breaks + used))
    return attributable_share(
        values[chosen],
        len(own),
        renumbered,
        grade[chosen],
        evidence.cluster[own],
        upwards=found.upwards,
        resamples=evidence.settings.resamples,
        seed=evidence.settings.seed,
        confidence=evidence.settings.confidence,
    )
