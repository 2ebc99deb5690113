"""Upgrades the store of a folder in a process of its own, and is killed after so many statements.

python -m tests.upgrading FOLDER STATEMENTS
"""

from __future__ import annotations

import os
import signal
import sys
import tarfile
from pathlib import Path
from typing import Any, cast

import duckdb

from collector.store.opening import PARTS
from collector.store.parts import look_at_parts, parts_of
from collector.store.schema import bring_up_to_date, make_views

FIXTURES = Path(__file__).with_name("fixtures")


def unpacked(folder: Path, name: str = "store_v1.tar.xz") -> Path:
    """A fixture's store in a folder; gives the folder of the store."""
    with tarfile.open(FIXTURES / name) as archive:
        # Debian's Python 3.11.2 knows no filter yet; 3.12 and 3.13 warn where none is named.
        archive.extraction_filter = getattr(tarfile, "data_filter", lambda member, path: member)
        archive.extractall(folder)
    return folder / "store"


class Killing:
    """A connection that kills its process after so many statements."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, left: int) -> None:
        """Let so many statements through."""
        self._connection, self._left = connection, left

    def execute(self, text: str, parameters: Any = None) -> Any:
        """Run the statements of a text, one by one."""
        found: Any = None
        for statement in self._connection.extract_statements(text):
            if self._left == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            self._left -= 1
            found = self._connection.execute(statement, parameters)
        return found


if __name__ == "__main__":
    with duckdb.connect(Path(sys.argv[1]) / "collector.duckdb") as whole:
        whole.execute("SET TimeZone = 'UTC'")
        killing = cast("duckdb.DuckDBPyConnection", Killing(whole, int(sys.argv[2])))
        bring_up_to_date(killing, now_ms=0)
        look_at_parts(killing, Path(sys.argv[1]) / PARTS, parts_of(killing))
        make_views(killing)
