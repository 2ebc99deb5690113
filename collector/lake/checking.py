"""Whether every file that the manifests of a lake name is there, and is what they say."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from collector.lake.manifest import FOLDER, File, decoded, writer_folder
from collector.lake.owner import writer_said
from collector.lake.place import Lake, LakeFault, digest_of


@dataclass(slots=True)
class Checked:
    """What was found.

    faults
        A line each, with the file; empty if all is well.
    """

    files: int = 0
    rows: int = 0
    writers: int = 0
    faults: list[str] = field(default_factory=list)


def check_lake(folder: Path) -> Checked:
    """Read all of it; LakeFault if it is no lake."""
    lake, found = Lake(folder), Checked()
    writers = set()
    for path in sorted((lake.folder / FOLDER).glob("*/*/*.jsonl")):
        writers.add(path.parent)
        try:
            _, files = decoded(path.read_bytes(), str(path.relative_to(folder)))
        except LakeFault as error:
            found.faults.append(str(error))
            continue
        for file in files:
            found.files += 1
            found.rows += file.rows
            found.faults += _faults_of(folder, file)
    for path in sorted((lake.folder / FOLDER).glob("*/*/writer.json")):
        try:
            writer_said(path)
        except LakeFault as error:
            found.faults.append(str(error))
    found.writers = len(writers)
    return found


def _faults_of(folder: Path, file: File) -> list[str]:
    path = folder / file.path
    ledger = f"{writer_folder(file.mill, file.writer)}/days.json"
    again = f"remove it and {ledger}, and {file.writer!r} copies it again"
    try:
        if path.stat().st_size == file.bytes and digest_of(path) == file.sha256:
            return []
    except OSError as error:
        return [f"{file.path}: {error.strerror}; {again}"]
    return [f"{file.path} is not what its manifest says; {again}"]
