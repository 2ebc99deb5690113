"""The subcommand ``page``."""

# ruff: noqa: PLC0415 - the command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

import logging
import time
from dataclasses import replace
from pathlib import Path

import click

from analysis.command.options import way_out


@click.command()
@click.option("--host", metavar="ADDRESS", help="Where to listen. Default: [page] host, else this computer only.")
@click.option(
    "--port", type=click.IntRange(0, 65_535), help="TCP port; 0 for any that is free. Default: [page] port, else 8620."
)
@click.option("--language", metavar="CODE", help="Language of those who have not chosen one: en, de.")
@click.option("--add-user", "new_name", metavar="NAME", help="Write a user into [page] users_file and end.")
@click.option(
    "--log-level", type=click.Choice(["debug", "info", "warning", "error"]), default="info", show_default=True
)
@click.pass_obj
def page(
    path: Path, *, host: str | None, port: int | None, language: str | None, new_name: str | None, log_level: str
) -> None:
    """Serve the crew's page until interrupted (SIGINT or SIGTERM): the shift, its breaks, and coding them.

    It reads the published store and writes nothing there: what the crew says goes to the collector as messages, and
    waits in [page] folder while the broker is away. Other addresses than this computer's need users or a token.

    Example: breakhorn page --port 8620
    """
    from analysis.broker.address import NoPassword
    from analysis.page.app import site
    from analysis.page.catalogue import NoSuchLanguage, words_of
    from analysis.page.outbox import OutboxTaken
    from analysis.page.serve import CannotListen, address, listen, serve
    from analysis.page.settings import NotSafe, is_loopback, settings_of

    with way_out():
        try:
            settings = settings_of(path)
            if new_name is not None:
                _add(settings.users_file, new_name)
                return
            settings = replace(
                settings,
                host=host or settings.host,
                port=settings.port if port is None else port,
                language=language or settings.language,
            )
            words_of(settings.language)
            app = site(path, settings)
            listening = listen(settings)
        except (NotSafe, NoPassword, NoSuchLanguage, CannotListen, OutboxTaken) as error:
            raise click.ClickException(str(error)) from error
    logging.Formatter.converter = time.gmtime
    logging.basicConfig(level=log_level.upper(), format="%(asctime)sZ %(levelname)s %(name)s: %(message)s")
    if not is_loopback(settings.host) and settings.tls_cert is None:
        click.echo("passwords travel in the clear: give [page] tls_cert and tls_key in mill.toml", err=True)
    ready = f"the page is at {address(settings, listening)} (Ctrl-C ends it)"
    try:
        serve(app, settings, listening, lambda: click.echo(ready, err=True))
    except CannotListen as error:
        raise click.ClickException(str(error)) from error


def _add(file: Path | None, name: str) -> None:
    from analysis.page.entrance import add_user, new_user

    if file is None:
        raise click.ClickException("say where users are kept first: [page] users_file in mill.toml")
    try:
        user = new_user(name, click.prompt(f"Password of {name}", hide_input=True, confirmation_prompt=True, err=True))
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    add_user(file, user)
    click.echo(f"wrote {name} into {file}", err=True)
