"""How likely each cause is, from what was coded before: counts by section, sign and departed tag, drawn together. Pure.

P(cause | break) ∝ P(cause) · P(section | cause) · Π P(sign | cause) · [Π P(departure | cause) / P(departure)]^(1/√k)

Every factor is a share of coded breaks, drawn towards the share among all of them as if a few more breaks had been seen
that say nothing (Dirichlet prior): with few labels nothing but the section's usual causes and the rules is left. The k
departed tags of one break hang together; the root stands between taking them for k witnesses (1) and for one (1/k).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from analysis.suggest.known import Known
from analysis.suggest.rules import RULES, Rule, signs
from analysis.suggest.settings import SuggestSettings

REST = ""
"""Stands for every cause that was never coded here."""

States = Mapping[str, int]
"""Of each tag that is known: 1 departed upwards, -1 downwards, 0 not departed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One thing that speaks for a cause or against it; ``factor`` is by how much it changes its odds, about.

    absent
        True for something that had not happened.
    """

    words: str
    factor: float
    absent: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggested:
    """One cause that may be it.

    probability
        Among causes that name something. [-]
    """

    code: str
    probability: float
    reasons: tuple[Reason, ...] = ()

    @property
    def speaks_for(self) -> tuple[Reason, ...]:
        """What speaks for it, the strongest first."""
        return tuple(sorted((r for r in self.reasons if r.factor > 1), key=lambda r: -r.factor))

    @property
    def speaks_against(self) -> tuple[Reason, ...]:
        """What speaks against it, the strongest first."""
        return tuple(sorted((r for r in self.reasons if r.factor < 1), key=lambda r: r.factor))


@dataclass(slots=True, kw_only=True)
class Learner:
    """Counts of coded breaks; ``add`` them in order of time, and ask in between.

    codes
        Of the mill's list. Rules whose code is not among them do not count.
    """

    settings: SuggestSettings
    codes: frozenset[str]
    _number: Counter[str] = field(default_factory=Counter)
    _section: Counter[tuple[str, str]] = field(default_factory=Counter)
    _sign: Counter[tuple[str, str, bool]] = field(default_factory=Counter)
    _state: Counter[tuple[str, str, int]] = field(default_factory=Counter)

    def add(self, known: Known, states: States | None = None) -> None:
        """Count one coded break."""
        if known.cause is None:
            raise ValueError(f"{known.downtime_id} is not coded")
        for cause in (known.cause, _ALL):
            self._number[cause] += 1
            self._section[cause, known.section or ""] += 1
            for name, there in signs(known, self.settings).items():
                self._sign[cause, name, there] += 1
            for tag, state in (states or {}).items():
                self._state[cause, tag, state] += 1

    @property
    def learned_from(self) -> int:
        """How many coded breaks it knows."""
        return self._number[_ALL]

    def usual(self, section: str | None) -> list[str]:
        """The causes of a section, the most used first; of all sections while this one has none."""
        of = Counter({c: self._section[c, section or ""] for c in self._number if c != _ALL})
        if not +of:
            of = Counter({c: n for c, n in self._number.items() if c != _ALL})
        return [c for c, n in sorted(of.items(), key=lambda item: (-item[1], item[0])) if n]

    def usual_share(self, section: str | None) -> float | None:
        """Share of a section's most used cause, as if a few breaks more had had none; None while it has no break."""
        used = [n for (c, s), n in self._section.items() if c != _ALL and s == (section or "")]
        return max(used) / (sum(used) + self.settings.section_breaks) if used else None

    def suggest(self, known: Known, states: States | None = None) -> list[Suggested]:
        """Every cause with its probability, the likeliest first; what is left belongs to causes never coded here."""
        parts = self._parts(known, states)
        chances = _chances(
            {c: math.log(self._prior(c)) + sum(math.log(r.factor) for r in own) for c, own in parts.items()}
        )
        found = [Suggested(code=c, probability=chances[c], reasons=tuple(own)) for c, own in parts.items() if c != REST]
        return sorted(found, key=lambda s: (-s.probability, s.code))

    def _known_causes(self) -> list[str]:
        return sorted({c for c in self._number if c != _ALL} | {r.code for r in self._rules()})

    def _rules(self) -> list[Rule]:
        return [rule for rule in RULES if rule.code in self.codes]

    def _prior(self, cause: str) -> float:
        rules = {rule.code: rule.share for rule in self._rules()}
        own = 1 - sum(rules.values()) if cause == REST else rules.get(cause, 0.0)
        weight = self.settings.prior_breaks
        return max((self._number[cause] + weight * own) / (self.learned_from + weight), 1e-9)

    def _parts(self, known: Known, states: States | None) -> dict[str, list[Reason]]:
        """What section, signs and tags say of every cause."""
        departed = {tag: state for tag, state in (states or {}).items() if state}
        there = signs(known, self.settings)
        rules = [rule for rule in self._rules() if rule.name in there]
        power = 1 / math.sqrt(max(len(departed), 1))
        return {
            cause: ([] if known.section is None else [self._section_part(cause, known.section)])
            + [self._sign_part(cause, rule, there[rule.name]) for rule in rules]
            + [self._tag_part(cause, tag, state, power) for tag, state in departed.items()]
            for cause in (*self._known_causes(), REST)
        }

    def _section_part(self, cause: str, name: str) -> Reason:
        # With one break more that lay nowhere in particular, so that an empty section has a share.
        sections = len({s for _, s in self._section} | {name})
        overall = (self._section[_ALL, name] + 1 / sections) / (self.learned_from + 1)
        here, number = self._section[cause, name], self._number[cause]
        weight = self.settings.section_breaks
        factor = (here + weight * overall) / (number + weight) / overall
        return Reason(
            words=f"{here} of {number} breaks so coded were lost at {name}, as were "
            f"{self._section[_ALL, name]} of all {self.learned_from} coded",
            factor=factor,
        )

    def _sign_part(self, cause: str, rule: Rule, there: bool) -> Reason:
        weight = self.settings.rule_breaks
        others_seen = self._sign[_ALL, rule.name, True] - self._sign[rule.code, rule.name, True]
        others = self._number[_ALL] - self._number[rule.code]
        usual = (others_seen + weight * rule.if_not) / (others + weight)
        expected = rule.if_so if cause == rule.code else usual
        number = self._sign[cause, rule.name, True] + self._sign[cause, rule.name, False]
        share = (self._sign[cause, rule.name, True] + weight * expected) / (number + weight)
        factor = share / usual if there else (1 - share) / (1 - usual)
        seen = f", as in {self._sign[cause, rule.name, there]} of {number} breaks of this cause" if number else ""
        return Reason(words=_SIGN_WORDS[rule.name][there] + seen, factor=max(factor, 1e-6), absent=not there)

    def _tag_part(self, cause: str, tag: str, state: int, power: float) -> Reason:
        weight = self.settings.tag_breaks
        total = sum(self._state[_ALL, tag, s] for s in (-1, 0, 1))
        overall = (self._state[_ALL, tag, state] + 0.5) / (total + 1.5)
        number = sum(self._state[cause, tag, s] for s in (-1, 0, 1))
        same = self._state[cause, tag, state]
        factor = ((same + weight * overall) / (number + weight) / overall) ** power
        way = "up" if state > 0 else "down"
        return Reason(
            words=f"{tag} had gone {way} before it, as before {same} of {number} breaks so coded and "
            f"{self._state[_ALL, tag, state]} of all {total}",
            factor=factor,
        )


def learned(
    settings: SuggestSettings, codes: frozenset[str], breaks: Sequence[Known], states: Sequence[States] | None = None
) -> Learner:
    """A learner that has seen some coded breaks."""
    learner = Learner(settings=settings, codes=codes)
    for n, one in enumerate(breaks):
        learner.add(one, states[n] if states is not None else None)
    return learner


def _chances(logs: Mapping[str, float]) -> dict[str, float]:
    """Logarithms as chances that add up to 1."""
    top = max(logs.values())
    total = sum(math.exp(v - top) for v in logs.values())
    return {c: math.exp(v - top) / total for c, v in logs.items()}


_ALL = "\0all"
_SIGN_WORDS = {
    "turn-up": {True: "lost at a turn-up", False: "not lost at a turn-up"},
    "grade change": {True: "just after a change of grade", False: "no change of grade just before"},
    "restart": {True: "soon after the sheet's return", False: "not soon after the sheet's return"},
    "photo-eye": {
        True: "its detector had flickered or been blind",
        False: "its detector was in order, without flicker",
    },
}
