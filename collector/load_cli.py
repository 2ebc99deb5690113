"""The subcommand ``load``: understand every file first, then store. All that click knows of it is here."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from collector.clock import now_ms
from collector.history.cli import history_options, options_from
from collector.interrupt import Interrupt, interruptible
from collector.message import Message
from collector.service.tally import Counts, total
from collector.settings import Mill, load_mill
from collector.stream import read_stream
from collector.way_out import way_out

if TYPE_CHECKING:
    from collector.block import Block
    from collector.history import ContextTable, HistoryFault, HistoryOptions, Spool, Understood
    from collector.store import Store

_LOOK_EVERY_S = 0.5


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@history_options
@click.option("--dry-run", is_flag=True, help="Show what was understood of historian files; store nothing.")
@click.option("--json", "as_json", is_flag=True, help="With --dry-run: as JSON, a record a file, faults included.")
@click.pass_obj
def load(path: Path, /, files: tuple[Path, ...], *, dry_run: bool, as_json: bool, **said: Any) -> None:
    """Feed files to the store, without a broker. What is there already is not stored twice.

    FILES are recorded streams, or a historian's exports (.csv, .tsv, .txt, also packed as .gz or .zst; .parquet): one
    row a value (ts, tag, value) or one column a tag; folders and patterns such as "2025-*.csv" stand for the files in
    them. How an export is laid out is found out, and asked for where it is not clear. If any of them has a fault,
    nothing at all is stored. Tables of laboratory results, clothing changes, orders or crew notes are known by their
    columns, or by --what. Interrupted while it stores, it keeps what it has, and the same command goes on.

    Stop a collector that writes this store before: the broker keeps what comes. History that is older than what the
    store has of a machine is late; 'breakhorn rebuild' works out the breaks in it.

    Example: breakhorn --mill mill.toml load night.jsonl.gz
    """
    from collector.history import (  # noqa: PLC0415  (DuckDB takes a fifth of a second)
        HistoryFault,
        HistoryFaults,
        Spool,
        TimeUnclear,
        context_kind,
        files_in,
        is_history,
    )

    if as_json and not dry_run:
        raise click.UsageError("--json goes with --dry-run")
    options = options_from(said)
    with way_out(), interruptible() as interrupt, _stopped_in_words(interrupt):
        mill = load_mill(path)
        told = _Told(dry_run=dry_run, as_json=as_json)
        try:
            found = files_in(files)
            tables = {file: kind for file in found if is_history(file) and (kind := context_kind(file, options))}
            exports = [file for file in found if is_history(file) and file not in tables]
            streams = [file for file in found if file not in exports and file not in tables]
            with Spool(mill, options, now_ms=now_ms()) as spool:
                context = _take(spool, exports, tables, mill, options, told)
                if dry_run:
                    told.streams(streams)
                else:
                    _store_all(mill, spool, len(exports), streams, context, interrupt)
        except HistoryFaults as faults:
            told.end()
            raise click.ClickException(str(faults)) from faults
        except (HistoryFault, TimeUnclear) as error:
            raise click.ClickException(str(error)) from error
        told.end()


class _Told:
    """What was understood goes to stdout in a dry run, as words or JSON, and to stderr otherwise."""

    def __init__(self, *, dry_run: bool, as_json: bool) -> None:
        self._dry_run, self._as_json = dry_run, as_json
        self._records: list[dict[str, object]] = []

    def __call__(self, one: Understood | ContextTable | HistoryFault) -> None:
        from collector.history import HistoryFault  # noqa: PLC0415

        if isinstance(one, HistoryFault):
            self._records.append({"file": str(one.path), "faults": [one.as_dict()]})
        elif self._as_json:
            self._records.append(one.as_dict())
        else:
            for line in one.lines():
                click.echo(line, err=not self._dry_run)

    def streams(self, files: Iterable[Path]) -> None:
        """Recorded streams say themselves what they are."""
        for file in files:
            if self._as_json:
                self._records.append({"file": str(file), "kind": "stream", "faults": []})
            else:
                click.echo(f"{file}\n  a stream of recorded messages")

    def end(self) -> None:
        """All was told."""
        if self._as_json:
            click.echo(json.dumps(self._records, indent=2, ensure_ascii=False))


def _take(
    spool: Spool, exports: list[Path], tables: dict[Path, str], mill: Mill, options: HistoryOptions, told: _Told
) -> list[Message]:
    """Take in everything but streams; give what the tables of people say. Raises HistoryFaults if any has a fault."""
    from collector.decode import Decoder  # noqa: PLC0415
    from collector.history import HistoryFault, HistoryFaults, context_table, take_all  # noqa: PLC0415

    messages: list[Message] = []
    faults: list[HistoryFault] = []
    decode = Decoder(mill).decode
    for path, kind in tables.items():
        try:
            table = context_table(path, kind, mill, options, decode, now_ms=now_ms())
        except HistoryFault as fault:
            faults.append(fault)
            told(fault)
        else:
            told(table)
            messages += table.messages
    try:
        with _watched(spool, exports):
            take_all(spool, exports, mill, told=told)
    except HistoryFaults as more:
        raise HistoryFaults([*faults, *more.faults], more.more) from None
    if faults:
        raise HistoryFaults(faults)
    return messages


@contextmanager
def _stopped_in_words(interrupt: Interrupt) -> Iterator[None]:
    """A person who stops the work hears what has become of it. DuckDB tells of a signal by an error of its own."""
    try:
        yield
    except (KeyboardInterrupt, RuntimeError) as error:
        if not interrupt.asked:
            raise
        if interrupt.safe:
            raise click.ClickException("stopped while reading: nothing was stored") from error
        raise click.ClickException("cut off: what was committed is stored, and the same command goes on") from error


@contextmanager
def _watched(spool: Spool, exports: list[Path]) -> Iterator[None]:
    """On a terminal, how far the reading is, while it lasts."""
    if not (sys.stderr.isatty() and exports):
        yield
        return
    over = threading.Event()

    def tell() -> None:
        while not over.wait(_LOOK_EVERY_S):
            if (share := spool.share_read()) is not None:
                click.echo(f"\rreading {spool.reading}: {share:.0%} …   ", nl=False, err=True)

    watcher = threading.Thread(target=tell, daemon=True)
    watcher.start()
    try:
        yield
    finally:
        over.set()
        watcher.join()
        click.echo("\r", nl=False, err=True)


def _store_all(
    mill: Mill, spool: Spool, exports: int, streams: list[Path], context: list[Message], interrupt: Interrupt
) -> None:
    from collector.publish import publish  # noqa: PLC0415
    from collector.store import Store  # noqa: PLC0415

    store = Store.open(mill.store.folder, mill, now_ms=now_ms())
    try:
        store.begin_run(now_ms(), metadata.version("breakhorn"))
        interrupt.safe = False
        counts = total(_each(mill, store, spool, exports, streams, context, interrupt))
        store.end_run(now_ms(), True, counts.as_dict())
        publish(store, mill, now_ms=now_ms())
    finally:
        store.close()
    if mill.lake is not None:
        _copy_to_lake(mill)
    if interrupt.asked:
        raise click.ClickException(f"stopped; {counts.samples:,} new samples are stored: the same command goes on")
    source = _number(counts.messages, "message") if streams or context else _number(exports, "file")
    end = "\r" if sys.stderr.isatty() else ""
    rows = f"; {len(context):,} rows or results of tables taken in" if context else ""
    click.echo(f"{end}{counts.samples:,} new samples from {source} ({counts}){rows}.", err=True)
    if counts.late:
        click.echo(
            "Late are values of tags that breaks are found by, older than what was already decided. They are stored, "
            "but no break is found by them yet: 'breakhorn rebuild' works the breaks out again with them.",
            err=True,
        )


def _number(count: int, what: str) -> str:
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def _each(
    mill: Mill,
    store: Store,
    spool: Spool,
    exports: int,
    streams: list[Path],
    context: list[Message],
    interrupt: Interrupt,
) -> Iterator[Counts]:
    """Everything there is to be stored, part by part."""
    from collector.load import load as load_messages  # noqa: PLC0415
    from collector.load import load_blocks  # noqa: PLC0415

    if exports:
        rejected = [item for number in range(exports) for item in spool.rejected(number)]
        position = _Position(spool.count)
        blocks = position.along(spool.blocks())
        yield load_blocks(mill, store, blocks, rejected, progress=_telling(position), stopping=interrupt)
    if streams and not interrupt.asked:
        place = _Place()
        messages = place.along(streams)
        yield load_messages(mill, store, messages, progress=_telling(place), stopping=interrupt)
    if context and not interrupt.asked:
        yield load_messages(mill, store, context)


class _Position:
    """How much of so many values went by."""

    def __init__(self, count: int) -> None:
        self._count, self._done = count, 0

    def along(self, blocks: Iterable[Block]) -> Iterator[Block]:
        for block in blocks:
            self._done += len(block)
            yield block

    def __str__(self) -> str:
        return f"{self._done / max(self._count, 1):.0%}"


class _Place:
    """Where in some streams the reading is: a stream does not say how long it is, but of what time it is."""

    def __init__(self) -> None:
        self._words, self._at_ms = "", 0

    def along(self, files: list[Path]) -> Iterator[Message]:
        for number, file in enumerate(files, start=1):
            self._words = f"{file.name} ({number} of {len(files)})"
            for message in read_stream(file):
                self._at_ms = message.received_ms
                yield message

    def __str__(self) -> str:
        return f"{self._words}, {datetime.fromtimestamp(self._at_ms / 1000, UTC):%Y-%m-%d %H:%M}Z"


def _telling(where: object) -> Callable[[Counts], None]:
    """Progress on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        return lambda counts: None
    return lambda counts: click.echo(f"\r{where}: {counts} …", nl=False, err=True)


def _copy_to_lake(mill: Mill) -> None:
    """What was loaded goes to the lake as well; without it the load is done all the same."""
    from collector.lake import LakeFault, copy_round  # noqa: PLC0415

    try:
        troubles = copy_round(mill, now_ms=now_ms()).troubles
    except LakeFault as error:
        troubles = [str(error)]
    for trouble in troubles:
        click.echo(f"Not all is in the lake: {trouble}", err=True)
