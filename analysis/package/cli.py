"""The subcommand that makes a data package."""

# ruff: noqa: PLC0415 - the command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.command.options import way_out

if TYPE_CHECKING:
    from analysis.package.pseudonyms import Pseudonyms
    from analysis.period import Period
    from analysis.read import Store

FORMATS = ("csv", "parquet")


@click.command()
@click.argument("target", type=click.Path(path_type=Path))
@click.option(
    "--view", "views", multiple=True, metavar="VIEW", help="Only this view; may be repeated. Default: all but samples."
)
@click.option("--samples", is_flag=True, help="The samples as well, a file a day.")
@click.option("--machine", "machines", multiple=True, metavar="ID", help="Only this machine; may be repeated.")
@click.option("--from", "from_text", metavar="TIME", help="Begin, as in every other command. Default: the first data.")
@click.option("--to", "to_text", metavar="TIME", help="End. Default: the newest data.")
@click.option("--format", "formats", multiple=True, type=click.Choice(FORMATS), help="Default: both.")
@click.option(
    "--pseudonyms",
    "key_file",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="KEYFILE",
    help="Replace names of mill, machines, tags, crews, people. The key is made at first use; never give it away.",
)
@click.option("--move-times", is_flag=True, help="With --pseudonyms: move all times by weeks that only the key knows.")
@click.option("--free-texts", is_flag=True, help="Comments and other free texts as well; they may hold anything.")
@click.option("--terms", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="Text of the agreed terms.")
@click.pass_obj
def export(
    path: Path,
    *,
    target: Path,
    views: tuple[str, ...],
    samples: bool,
    machines: tuple[str, ...],
    from_text: str | None,
    to_text: str | None,
    formats: tuple[str, ...],
    key_file: Path | None,
    move_times: bool,
    free_texts: bool,
    terms: Path | None,
) -> None:
    """Make a data package to hand to a university or a supplier: TARGET is a folder, or a file that ends in .zip.

    It holds views as CSV and Parquet, what they mean, a description by the open standard Data Package, sums and terms.
    For a single view, 'breakhorn query "FROM downtime" --out downtime.xlsx' is shorter.

    Example: breakhorn export package.zip --from 2026-03-01 --pseudonyms mill.key
    """
    from analysis.dictionary.catalogue import dictionary
    from analysis.package.choice import USUAL, choose
    from analysis.package.write import Order, write_package
    from analysis.read import open_store

    if move_times and key_file is None:
        raise click.UsageError("--move-times belongs to --pseudonyms")
    if target.exists():
        raise click.ClickException(f"{target} is there already; give another name, or remove it")
    with way_out(), _refusals(), open_store(path) as store:
        names, known = _names(key_file, target, move=move_times), dictionary(store)
        wanted = [*(views or USUAL), *(["sample"] if samples else [])]
        order = Order(
            known=known,
            chosen=choose(known, wanted, free_texts=free_texts, pseudonyms=names is not None),
            machines=machines,
            period=_period(store, machines, from_text, to_text),
            formats=tuple(one for one in FORMATS if one in (formats or FORMATS)),
            names=names,
            moved=move_times,
            demo=store.mill().demo,
            terms=None if terms is None else terms.read_text(encoding="utf-8"),
        )
        write_package(store, order, target, now=datetime.now(UTC), tell=lambda name: click.echo(name, err=True))
    click.echo(f"wrote {target}", err=True)
    if names is not None and key_file is not None:
        _keep_names(names, key_file)


@contextmanager
def _refusals() -> Iterator[None]:
    from analysis.package.choice import CannotChoose
    from analysis.package.pseudonyms import BadKey
    from analysis.package.replacing import NameLeft

    try:
        yield
    except (CannotChoose, BadKey, NameLeft) as error:
        raise click.ClickException(str(error)) from error


def _names(key_file: Path | None, target: Path, *, move: bool) -> Pseudonyms | None:
    from analysis.package.pseudonyms import Pseudonyms, key_shift, read_key

    if key_file is None:
        return None
    if target.resolve() in key_file.resolve().parents:
        raise click.UsageError(f"{key_file} would lie in the package; keep the key elsewhere")
    key = read_key(key_file)
    return Pseudonyms(key=key, shift=key_shift(key)) if move else Pseudonyms(key=key)


def _keep_names(names: Pseudonyms, key_file: Path) -> None:
    """The names beside the key, so that the mill can say which tag a finding speaks of."""
    from analysis.package.write import names_table

    file = key_file.with_name(f"{key_file.name}.names.csv")
    file.unlink(missing_ok=True)
    with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as made:
        made.write(names_table(names))
    click.echo(f"the mill alone keeps {key_file} and {file}", err=True)


def _period(store: Store, machines: tuple[str, ...], from_text: str | None, to_text: str | None) -> Period:
    from analysis.period import NothingThen, period_of, until_horizon

    known = [store.machine(name) for name in machines] or list(store.machines())
    firsts = [m.first_ms for m in known if m.first_ms is not None]
    lasts = [m.last_ms for m in known if m.last_ms is not None]
    if not firsts or not lasts:
        raise NothingThen("the store holds no data of any machine asked for; start the collector, or 'breakhorn load'")
    now_ms = max(lasts)
    return until_horizon(period_of(from_text, to_text, store.mill().zone, first_ms=min(firsts), now_ms=now_ms), now_ms)
