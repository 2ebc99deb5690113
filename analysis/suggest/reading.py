"""From the views of an open store to what suggestions take."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib.resources import files

import numpy as np

from analysis.evidence.cells import Cells, Tag
from analysis.evidence.reading import hold
from analysis.read import Store
from analysis.risk.rows import Ints
from analysis.suggest.known import Cause, Known
from analysis.suggest.settings import SuggestSettings


def read_breaks(store: Store, machine: str, settings: SuggestSettings) -> tuple[Known, ...]:
    """Every break of a machine whose loss was seen, in order of time."""
    rows = store.rows(_sql("break"), machine=machine, within_h=settings.flicker_within_h)
    return tuple(Known(**row) for row in rows)


def read_causes(store: Store) -> tuple[Cause, ...]:
    """The mill's list of causes."""
    return tuple(Cause(**row) for row in store.rows("SELECT code, name, section FROM cause ORDER BY code"))


def read_few(store: Store, tags: Sequence[Tag], minutes: Ints) -> Cells:
    """What a few tags were in some minutes, wherever in the archive they lie.

    minutes
        Rising, each once. [min since 1970]
    """
    shape = (len(tags), len(minutes))
    mean, variance = np.full(shape, np.nan, np.float32), np.full(shape, np.nan, np.float32)
    origin = np.full(len(tags), np.nan)
    if tags and len(minutes):
        asked = {
            "tags": [t.tag_id for t in tags],
            "minutes": minutes.tolist(),
            "from_minute": int(minutes[0]),
            "to_minute": int(minutes[-1]) + 1,
        }
        got = store.connection.execute(_sql("few"), asked).fetchnumpy()
        ids, columns = np.asarray(got["tag_id"]), np.searchsorted(minutes, np.asarray(got["minute"], np.int64))
        for row, tag in enumerate(tags):
            own = ids == tag.tag_id
            if own.any():
                values = np.asarray(got["mean"], np.float64)[own]
                # The earliest, in whatever order they came: else the last digit of all would follow it.
                origin[row] = float(values[columns[own].argmin()])
                mean[row, columns[own]] = values - origin[row]
                variance[row, columns[own]] = np.asarray(got["variance"], np.float64)[own]
    hold(store.connection, tags, minutes, origin, mean, variance)
    return Cells(tags=tuple(tags), minutes=minutes, origin=np.nan_to_num(origin), mean=mean, variance=variance)


@cache
def _sql(name: str) -> str:
    return (files("analysis.suggest") / "sql" / f"{name}.sql").read_text(encoding="utf-8")
