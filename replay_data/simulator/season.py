"""What moves with the year, the day and the weather, and has no part in any break."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

DAY_MS = 86_400_000
YEAR_MS = 365.25 * DAY_MS
COLDEST_MS = 45 * DAY_MS
"""The middle of February. [ms into the year]"""
OF_THE_DAY, OF_THE_WEATHER = 0.05, 0.08
EAST_MS = 2 * 3_600_000
"""How much earlier than at Greenwich midnight comes. [ms]"""


def season(times_ms: NDArray[np.int64], *, of_the_day: float = OF_THE_DAY) -> NDArray[np.float64]:
    """-1 in the middle of winter, 1 in summer, about: the year's wave, the day's, and a few days' weather.

    of_the_day
        How large the day's wave is against the year's.
    """
    year = -np.cos(2 * np.pi * (times_ms % YEAR_MS - COLDEST_MS) / YEAR_MS)
    hour = -np.cos(2 * np.pi * ((times_ms + EAST_MS) % DAY_MS) / DAY_MS)
    weather = np.sin(2 * np.pi * times_ms / (3.1 * DAY_MS)) + np.sin(2 * np.pi * times_ms / (7.7 * DAY_MS))
    return np.asarray(year + of_the_day * hour + OF_THE_WEATHER * weather, dtype=np.float64)
