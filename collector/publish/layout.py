"""How samples are laid out in files, and how long files stay that are no longer named."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Sizes and times that trade the number of files against the work of merging them.

    together
        So many parts of one level become one of the next: at a publish each 10 s, a day has four levels.
    own_file_from
        Samples of a closed day that are worth a file of their own at once, as when a long stream is loaded.
    hot_at_most
        So many samples go to parts at once, even between two publishes: so that this never takes long.
    grace_s
        How long a file stays after the newest published file stopped naming it, for queries under way. [s]
    """

    together: int = 16
    own_file_from: int = 10_000
    hot_at_most: int = 1_000_000
    grace_s: float = 900.0
