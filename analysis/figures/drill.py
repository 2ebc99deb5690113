"""The time ledger as a tree: class, section, cause, downtime. Every node is the sum of those below it, exactly."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from analysis.figures.ledger import Ledger, Slice, cause_label, section_label
from analysis.history import Downtime

NO_DOWNTIME = "no downtime"


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """One node of the tree.

    level
        period, class, section, cause or downtime.
    downtime
        Of the last level; else None.
    """

    level: str
    label: str
    ms: int
    below: tuple[Node, ...] = ()
    downtime: Downtime | None = None

    def walk(self, depth: int = 0) -> Iterator[tuple[int, Node]]:
        """This node and all below it, each with its depth, the longest first."""
        yield depth, self
        for node in self.below:
            yield from node.walk(depth + 1)


_LEVELS: tuple[tuple[str, Callable[[Slice], str]], ...] = (
    ("class", lambda s: s.cls.value),
    ("section", lambda s: section_label(s.downtime) if s.downtime else NO_DOWNTIME),
    ("cause", lambda s: cause_label(s.downtime) if s.downtime else NO_DOWNTIME),
    ("downtime", lambda s: s.downtime.downtime_id if s.downtime else NO_DOWNTIME),
)


def drill_down(book: Ledger) -> Node:
    """The whole tree of a ledger; its root is the period. Time without a downtime ends at its class."""
    below = _below(list(book.slices), 0)
    return Node(level="period", label="the whole period", ms=sum(node.ms for node in below), below=below)


def _below(slices: Sequence[Slice], depth: int) -> tuple[Node, ...]:
    if depth == len(_LEVELS) or (depth and all(s.downtime is None for s in slices)):
        return ()
    level, label = _LEVELS[depth]
    groups = defaultdict[str, list[Slice]](list)
    for s in slices:
        groups[label(s)].append(s)
    nodes = (_node(level, name, group, depth) for name, group in groups.items())
    return tuple(sorted(nodes, key=lambda node: (-node.ms, node.label)))


def _node(level: str, label: str, group: Sequence[Slice], depth: int) -> Node:
    return Node(
        level=level,
        label=label,
        ms=sum(s.ms for s in group),
        below=_below(group, depth + 1),
        downtime=group[0].downtime if level == "downtime" else None,
    )
