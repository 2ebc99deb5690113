"""The subcommand that says what is in the store."""

# ruff: noqa: PLC0415 - the command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

import json
from pathlib import Path

import click

from analysis.command.options import way_out

_FILE = click.Path(dir_okay=False, path_type=Path)


@click.command("dictionary")
@click.argument("view", required=False, metavar="[VIEW or MACRO]")
@click.option("--json", "as_json", is_flag=True, help="Print all of it as JSON instead of text.")
@click.option("--markdown", is_flag=True, help="Print all of it as Markdown instead of text.")
@click.option("--html", type=_FILE, metavar="FILE", help="Write one self-contained page with the entity picture.")
@click.option("--svg", type=_FILE, metavar="FILE", help="Write the entity picture.")
@click.pass_obj
def say(path: Path, *, view: str | None, as_json: bool, markdown: bool, html: Path | None, svg: Path | None) -> None:
    """What is in the published store: every view and column with unit and meaning, keys, macros. With a name, that one.

    It is read from the comments of the store itself, so it is true of this version.

    Example: breakhorn dictionary downtime
    """
    from analysis.command.console import show_table
    from analysis.dictionary import tell
    from analysis.dictionary.catalogue import dictionary
    from analysis.dictionary.picture import entity_picture
    from analysis.read import open_store

    with way_out(), open_store(path) as store:
        known = dictionary(store)
        names = [v.name for v in known.views] + [m.name for m in known.macros]
        if view is not None and view not in names:
            raise click.UsageError(f"there is no view or macro {view!r}; it has {', '.join(names)}")
        if html is not None:
            html.write_text(tell.page(known, store.mill().name), encoding="utf-8")
            click.echo(f"wrote {html}", err=True)
        if svg is not None:
            svg.write_text(entity_picture(known), encoding="utf-8")
            click.echo(f"wrote {svg}", err=True)
    if as_json:
        click.echo(json.dumps(tell.values(known), indent=2, ensure_ascii=False))
    elif markdown:
        click.echo(tell.markdown(known, picture=svg.name if svg else "dictionary.svg"), nl=False)
    elif html is None and svg is None:
        for table in tell.tables(known, view):
            show_table(table)
