"""Samples of history as columns: what a scan is for one moment, a block is for thousands. Knows no database."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from collector.message import Value

Ints = npt.NDArray[np.int64]
Ids = npt.NDArray[np.int32]
Kinds = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

BAD, NUMBER, TRUTH, TEXT = range(4)
"""What a sample is; the numbers are those of the spool."""

TagKey = tuple[str, str]
"""Machine and tag."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Samples in order of time; of one time in order of arrival, and no key twice.

    source
        What stands for the place that they come from: below 0, as no ``[[source]]`` is.
    tags
        The tags that the samples are of.
    tag_no
        Each sample's place in ``tags``.
    numbers
        Of numbers, and of truths as 1 or 0; NaN for all others.
    texts
        Of texts; None for all others. An array of objects.
    """

    source: int
    tags: tuple[TagKey, ...]
    tag_no: Ids
    at_ms: Ints
    kinds: Kinds
    numbers: Floats
    texts: Any

    def __len__(self) -> int:
        """How many samples."""
        return len(self.at_ms)

    def some(self, chosen: Truths | Ints | slice) -> Block:
        """Those that are chosen."""
        return replace(
            self,
            tag_no=self.tag_no[chosen],
            at_ms=self.at_ms[chosen],
            kinds=self.kinds[chosen],
            numbers=self.numbers[chosen],
            texts=self.texts[chosen],
        )

    def value(self, row: int) -> Value:
        """One sample's value."""
        match int(self.kinds[row]):
            case 0:
                return None
            case 1:
                return float(self.numbers[row])
            case 2:
                return bool(self.numbers[row] == 1)
        return str(self.texts[row])

    def without_doubles(self) -> Block:
        """Of several samples of one tag at one time only the last."""
        keys = self.tag_no.astype(np.int64) << 42 | self.at_ms
        order = np.argsort(keys, kind="stable")
        keys = keys[order]
        again = keys[1:] == keys[:-1]
        if not again.any():
            return self
        keep = np.ones(len(self), np.bool_)
        keep[order[:-1][again]] = False
        return self.some(keep)
