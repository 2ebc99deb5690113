"""What one file holds, tag by tag. Pure."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class TagSpan:
    """One tag, under the name that the file gives it.

    values
        All of them, bad ones and texts among them.
    lowest, highest
        Of its numbers and truths; None without any.
    """

    machine: str
    tag: str
    values: int
    bad: int
    texts: int
    first_ms: int
    last_ms: int
    lowest: float | None
    highest: float | None

    @property
    def is_mixed(self) -> bool:
        """Whether it has numbers or truths, and texts beside them."""
        return 0 < self.texts < self.values - self.bad


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A file.

    bad
        The words that stood in the place of a value, and how often each.
    """

    tags: tuple[TagSpan, ...]
    bad: tuple[tuple[str, int], ...] = ()

    @property
    def values(self) -> int:
        """Values that can be taken."""
        return sum(tag.values for tag in self.tags)

    @property
    def first_ms(self) -> int | None:
        """The earliest time; None of a file without a value."""
        return min((tag.first_ms for tag in self.tags), default=None)

    @property
    def last_ms(self) -> int | None:
        """The latest time; None of a file without a value."""
        return max((tag.last_ms for tag in self.tags), default=None)
