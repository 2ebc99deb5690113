"""Historian exports: text and Parquet files of any common layout, put in order of time. Asks rather than guesses."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from collector.history.clock import TimeUnclear
from collector.history.context import ContextTable, context_kind, context_table
from collector.history.fault import HistoryFault, HistoryFaults
from collector.history.options import Ambiguous, HistoryOptions
from collector.history.report import Understood
from collector.history.spool import FILE_SOURCE, Spool
from collector.settings import Mill

__all__ = [
    "FILE_SOURCE",
    "Ambiguous",
    "ContextTable",
    "HistoryFault",
    "HistoryFaults",
    "HistoryOptions",
    "Spool",
    "TimeUnclear",
    "Understood",
    "context_kind",
    "context_table",
    "files_in",
    "is_history",
    "take_all",
]

_TEXT = (".csv", ".tsv", ".txt")
_STREAM = (".jsonl", ".jsonl.gz", ".jsonl.zst")
_STREAM_COLUMNS = {"received_at", "topic", "payload"}


def files_in(paths: Iterable[Path]) -> list[Path]:
    """The files that are meant by files, folders (all that can be read in them, deeper ones too) and globs, by name.

    Raises
    ------
    HistoryFault
        For a folder or a glob with nothing in it.
    """
    files: dict[Path, None] = {}
    for path in paths:
        found = _expanded(path)
        if not found:
            raise HistoryFault(path, "there is nothing in it that can be loaded: .csv, .tsv, .txt, .parquet or .jsonl")
        files |= dict.fromkeys(found)
    return list(files)


def _expanded(path: Path) -> list[Path]:
    if path.is_dir():
        return sorted(file for file in path.rglob("*") if file.is_file() and _can_be_read(file))
    if path.exists() or not any(sign in path.name for sign in "*?["):
        return [path]
    return sorted(file for file in path.parent.glob(path.name) if file.is_file())


def _can_be_read(path: Path) -> bool:
    name = path.name.lower()
    return not name.startswith(".") and (name.endswith((".parquet", *_STREAM)) or _is_text(name))


def _is_text(name: str) -> bool:
    return name.removesuffix(".gz").removesuffix(".zst").endswith(_TEXT)


def is_history(path: Path) -> bool:
    """Whether it is a historian's file rather than a stream of recorded messages."""
    name = path.name.lower()
    if name.endswith(".parquet") and path.is_file():
        return not set(_parquet_columns(path)) >= _STREAM_COLUMNS
    return not name.endswith(_STREAM)


def _parquet_columns(path: Path) -> list[str]:
    import polars as pl  # noqa: PLC0415 - a tenth of a second that text files need not wait for

    try:
        return list(pl.read_parquet_schema(path))
    except (OSError, pl.exceptions.PolarsError) as error:
        raise HistoryFault(path, f"is no Parquet file ({str(error).splitlines()[0]})") from error


def take_all(
    spool: Spool, paths: Iterable[Path], mill: Mill, *, told: Callable[[Understood | HistoryFault], None]
) -> None:
    """Take in every file; tell on the way what was understood of each, or why nothing was.

    Raises
    ------
    HistoryFaults
        Once all are taken, if there is a fault in one.
    """
    faults: list[HistoryFault] = []
    more = 0
    for path in paths:
        try:
            number = spool.take(path)
        except HistoryFault as fault:
            faults.append(fault)
            told(fault)
            continue
        found, beyond = spool.faults(number)
        faults, more = faults + found, more + beyond
        told(
            Understood(
                source=spool.source(number),
                span=spool.span(number),
                first=spool.first_scans(number),
                zone=spool.zone_name,
                mill=mill,
                faults=found,
                more=beyond,
            )
        )
    if faults:
        raise HistoryFaults(faults, more)
