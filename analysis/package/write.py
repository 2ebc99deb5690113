"""Writes a package: all of it into a draft folder, which becomes the folder or the zip file once it is complete."""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import json
import os
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from analysis.dictionary.catalogue import Dictionary
from analysis.package.choice import SPANS, Chosen
from analysis.package.descriptor import Written, descriptor
from analysis.package.pseudonyms import Pseudonyms
from analysis.package.replacing import names_of, replaced, search
from analysis.package.texts import TERMS, TITLE, about, dictionary_text, readme
from analysis.period import Period
from analysis.query import FETCH, Answer, Format, text_of
from analysis.read import Store

DAY_MS = 86_400_000
BY_DAY = ("sample", "sample_text")
"""Views that are too long for one file: a file for each day (UTC)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What a package is to hold.

    machines
        Only these; empty: all.
    terms
        Text of the terms; None: a page that says that nothing is agreed.
    """

    known: Dictionary
    chosen: tuple[Chosen, ...]
    machines: tuple[str, ...]
    period: Period
    formats: tuple[str, ...]
    names: Pseudonyms | None
    moved: bool
    demo: bool
    terms: str | None

    @property
    def period_text(self) -> str:
        """The period in words that may go out."""
        days = (self.period.to_ms - self.period.from_ms) / 86_400_000
        if self.moved:
            return f"{days:.1f} days"
        first, last = (
            f"{datetime.fromtimestamp(ms / 1000, UTC):%Y-%m-%d %H:%M}"
            for ms in (self.period.from_ms, self.period.to_ms)
        )
        return f"{first} to {last} UTC, {days:.1f} days"


def write_package(store: Store, order: Order, target: Path, *, now: datetime, tell: Callable[[str], None]) -> None:
    """Write it as a folder, or as a zip file if the target's name ends so. The target must not exist yet.

    Raises
    ------
    NameLeft
        With pseudonyms, if a name would have gone out all the same. Nothing is left behind then.
    """
    if not target.parent.is_dir():
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(target))
    draft = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
    try:
        written = [file for one in order.chosen for file in _files(store, order, one, draft, tell)]
        _describe(order, draft, written, now)
        if target.suffix == ".zip":
            _zip(draft, target)
        else:
            draft.chmod(0o755)
            draft.replace(target)
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def _files(store: Store, order: Order, one: Chosen, draft: Path, tell: Callable[[str], None]) -> Iterator[Written]:
    tell(one.view.name)
    forbidden = names_of(store) if order.names is not None else frozenset[str]()
    for suffix, rows in _rows(store, order, one):
        if order.names is not None:
            rows = replaced(one.view.name, rows, order.names)
            search(one.view.name, rows, forbidden)
            suffix = _moved(suffix, order.names)
        for shape in order.formats:
            path = draft / shape / f"{one.view.name}{suffix}.{shape}"
            path.parent.mkdir(exist_ok=True)
            _write(rows, path)
            name = f"{one.view.name}{suffix}".lower() + ("" if shape == order.formats[0] else f"-{shape}")
            yield Written(
                view=one.view.name,
                name=name,
                path=str(path.relative_to(draft).as_posix()),
                format=shape,
                bytes=path.stat().st_size,
                sha256=_sum(path),
            )


def _moved(suffix: str, names: Pseudonyms) -> str:
    """The day in a file's name moves as the times in the file do."""
    return f"-{datetime.strptime(suffix, '-%Y-%m-%d') + names.shift:%Y-%m-%d}" if suffix else ""


def _rows(store: Store, order: Order, one: Chosen) -> Iterator[tuple[str, pl.DataFrame]]:
    """The rows of a view, in one piece or day by day, each with what its file's name ends in."""
    if one.view.name not in BY_DAY:
        yield "", _frame(store, order, one, order.period)
        return
    for number in range(order.period.from_ms // DAY_MS, (order.period.to_ms - 1) // DAY_MS + 1):
        begin = max(order.period.from_ms, number * DAY_MS)
        rows = _frame(store, order, one, Period(from_ms=begin, to_ms=min(order.period.to_ms, (number + 1) * DAY_MS)))
        if rows.height:
            yield f"-{datetime.fromtimestamp(begin / 1000, UTC):%Y-%m-%d}", rows


def _frame(store: Store, order: Order, one: Chosen, period: Period) -> pl.DataFrame:
    columns = ", ".join(f'"{column.name}"' for column in one.columns)
    conditions, values = ["TRUE"], dict[str, object]()
    if one.view.name in SPANS:
        first, last = SPANS[one.view.name]
        conditions.append(
            f"epoch_ms({first}) < $to_ms AND (({last}) IS NULL OR epoch_ms({last}) > $from_ms "
            f"OR epoch_ms({first}) >= $from_ms)"
        )
        values |= {"from_ms": period.from_ms, "to_ms": period.to_ms}
    if order.machines and any(column.name == "machine" for column in one.view.columns):
        conditions.append("(machine IS NULL OR list_contains($machines, machine))")
        values["machines"] = list(order.machines)
    by = ", ".join(c.name for c in one.columns if c.name in ("machine", "tag", SPANS.get(one.view.name, ("",))[0]))
    query = f'SELECT {columns} FROM "{one.view.name}" WHERE {" AND ".join(conditions)}'  # noqa: S608 - names of ours
    return store.frame(query + (f" ORDER BY {by}" if by else ""), **values)


def _write(rows: pl.DataFrame, path: Path) -> None:
    if path.suffix == ".parquet":
        rows.write_parquet(path, compression="zstd")
        return
    batches = (batch.rows() for batch in rows.iter_slices(FETCH))
    with path.open("w", encoding="utf-8", newline="") as file:
        file.writelines(text_of(Answer(columns=tuple(rows.columns), batches=batches), Format.CSV))


def _describe(order: Order, draft: Path, written: Sequence[Written], now: datetime) -> None:
    text = about(
        order.period_text, order.chosen, pseudonyms=order.names is not None, moved=order.moved, demo=order.demo
    )
    described = descriptor(
        order.chosen, written, order.known.keys, title=TITLE, text=text, created=f"{now:%Y-%m-%dT%H:%M:%SZ}"
    )
    texts = {
        "datapackage.json": json.dumps(described, indent=2, ensure_ascii=False) + "\n",
        "README.md": readme(text, pseudonyms=order.names is not None),
        "DICTIONARY.md": dictionary_text(order.chosen),
        "TERMS.md": order.terms or TERMS,
    }
    for name, content in texts.items():
        (draft / name).write_text(content, encoding="utf-8")
    files = sorted(path for path in draft.rglob("*") if path.is_file())
    sums = "".join(f"{_sum(path)}  {path.relative_to(draft).as_posix()}\n" for path in files)
    (draft / "SHA256SUMS").write_text(sums, encoding="utf-8")


def _sum(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _zip(folder: Path, target: Path) -> None:
    draft = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        with zipfile.ZipFile(draft, "w", zipfile.ZIP_DEFLATED) as book:
            for path in sorted(path for path in folder.rglob("*") if path.is_file()):
                book.write(path, path.relative_to(folder))
        draft.replace(target)
    finally:
        draft.unlink(missing_ok=True)


def names_table(names: Pseudonyms) -> str:
    """Every name with its pseudonym, as CSV for the mill alone."""
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    writer.writerow(("kind", "name", "pseudonym"))
    writer.writerows((kind, name, made) for (kind, name), made in sorted(names.given.items()))
    return buffer.getvalue()
