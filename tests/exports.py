"""Exports of a historian, and what loading them gives."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from breakhorn import cli
from collector.block import Block
from collector.history import (
    FILE_SOURCE,
    HistoryFaults,
    HistoryOptions,
    Spool,
    take_all,
)
from collector.history.clock import DAY_MS
from collector.message import Scan, Value
from collector.settings import Mill
from tests.mills import example, readable_mill

T = 1_772_330_400_000
"""2026-03-01T02:00:00Z, 04:00 in Helsinki, where the clock is two hours ahead of UTC in winter."""

YEARS_LATER_MS = T + 365 * DAY_MS

Sample = tuple[int, str, Value]
Write = Callable[..., Path]


def scans_of(block: Block) -> Iterator[Scan]:
    """A block's samples, a scan for each machine and time."""
    rows = [
        (int(at), block.tags[number][0], row)
        for row, (at, number) in enumerate(zip(block.at_ms, block.tag_no, strict=True))
    ]
    for (at_ms, machine), group in groupby(rows, key=lambda row: row[:2]):
        values = {block.tags[block.tag_no[row]][1]: block.value(row) for _, _, row in group}
        yield Scan(machine, at_ms, values, FILE_SOURCE, at_ms, 16)


class Loaded:
    """What one load of files gives."""

    def __init__(self, *paths: Path, mill: Mill | None = None, **options: Any) -> None:
        mill = mill or readable_mill()
        with Spool(mill, HistoryOptions(**options), now_ms=YEARS_LATER_MS) as spool:
            told: list[Any] = []
            take_all(spool, paths, mill, told=told.append)
            self.lines = [line for one in told for line in one.lines()]
            self.records = [one.as_dict() for one in told]
            self.blocks = list(spool.blocks())
            self.scans = [scan for block in self.blocks for scan in scans_of(block)]
            self.rejected = [item for number in range(len(paths)) for item in spool.rejected(number)]

    @property
    def samples(self) -> list[Sample]:
        """Time after 2026-03-01T02:00Z [s], tag and value of each, in the order in which they were given."""
        return [((one.at_ms - T) // 1000, tag, value) for one in self.scans for tag, value in one.values.items()]


def faults(*paths: Path, **options: Any) -> list[str]:
    """What is said of files that cannot be taken, without the folder."""
    with pytest.raises(HistoryFaults) as caught:
        Loaded(*paths, **options)
    return str(caught.value).replace(f"{paths[0].parent}/", "").splitlines()


@pytest.fixture
def file(tmp_path: Path) -> Any:
    """Writes a text file, by lines."""

    def write(*lines: str, name: str = "export.csv", encoding: str = "utf-8") -> Path:
        path = tmp_path / name
        path.write_text("".join(f"{line}\n" for line in lines), encoding=encoding)
        return path

    return write


@pytest.fixture
def mill_file(tmp_path: Path) -> Path:
    path = tmp_path / "mill.toml"
    path.write_text(example(), encoding="utf-8")
    return path


def run(mill_file: Path, *arguments: str) -> Any:
    return CliRunner().invoke(cli, ["--mill", str(mill_file), "load", *arguments])
