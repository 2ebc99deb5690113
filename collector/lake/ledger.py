"""What a writer has copied, so that only what has changed is written again."""

from __future__ import annotations

import msgspec

from collector.lake.manifest import manifest_names, writer_folder
from collector.lake.place import Lake, lake_errors


class _Lines(msgspec.Struct, kw_only=True):
    """The days and small tables, each with what it was made of, and the manifests that name their files."""

    days: dict[str, str]
    tables: dict[str, str]
    manifests: list[str]
    retired: list[tuple[str | None, int | None]]


class Ledger:
    """The ledger of one writer and mill. It lies in the lake, so that both come back from the same backup.

    days
        Day to what its rows were made of when they were copied.
    tables
        The same of small tables, by table, machine and year with "/" between.
    retired
        Machine and year of each manifest with files that are to be deleted some time.
    """

    def __init__(self, lake: Lake, *, mill: str, writer: str) -> None:
        """Read what is there; nothing if a manifest is gone that it knew, or if it cannot be read: all goes again."""
        self._lake, self._mill, self._writer = lake, mill, writer
        self._path = f"{writer_folder(mill, writer)}/days.json"
        self.days: dict[str, str] = {}
        self.tables: dict[str, str] = {}
        self.retired: list[tuple[str | None, int | None]] = []
        try:
            lines = msgspec.json.decode((lake.folder / self._path).read_bytes(), type=_Lines)
        except (OSError, msgspec.MsgspecError):
            return
        self.retired = lines.retired
        if set(lines.manifests) <= manifest_names(lake, mill, writer):
            self.days, self.tables = lines.days, lines.tables

    def write(self, writer_id: str) -> None:
        """Put it in place if it has changed; after the manifests that it speaks of."""
        names = manifest_names(self._lake, self._mill, self._writer)
        lines = _Lines(days=self.days, tables=self.tables, manifests=sorted(names), retired=self.retired)
        data = msgspec.json.encode(lines)
        path = self._lake.folder / self._path
        with lake_errors(path):
            there = path.exists() and path.read_bytes() == data
        if not there:
            self._lake.put_text(data, self._path, writer_id=writer_id)
