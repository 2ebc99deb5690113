"""The subcommands of ``risk`` about a model that was fitted: live, now, drift, retrain, what-if."""

# ruff: noqa: PLC0415 - every command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.risk.asked import card_file, give, machines_of, said

if TYPE_CHECKING:
    from analysis.history import Machine
    from analysis.read import Store
    from analysis.result import Result
    from analysis.risk.card import Card
    from analysis.risk.exposure import Exposure

MACHINES = click.option("--machine", "names", multiple=True, metavar="ID", help="Only this machine; may be repeated.")
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
MODEL = click.option(
    "--model",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="The model, of one machine. Default: risk/<machine>.json beside mill.toml.",
)
AT = click.option("--at", "at_text", metavar="TIME", help="A past minute: '2026-03-01 06:00'. Default: the newest.")


@click.command()
@MACHINES
@MODEL
@click.option(
    "--force", "forced", is_flag=True, help="Warn even if the model did not beat the plain rules, and say so."
)
@click.option(
    "--stale-after",
    "stale_after_s",
    type=click.FloatRange(30, 3600),
    default=180,
    show_default=True,
    help="Say nothing of risk once the newest data are older than this. [s]",
)
@click.option(
    "--log-level", type=click.Choice(["debug", "info", "warning", "error"]), default="info", show_default=True
)
@click.pass_obj
def live(
    path: Path, names: tuple[str, ...], model: Path | None, forced: bool, stale_after_s: float, log_level: str
) -> None:
    """Score every minute and publish the risk, until interrupted (SIGINT or SIGTERM).

    Reads the published store and writes nothing. Publishes to <mill>/<machine>/runnability/risk, retained. Advisory
    only: warnings stay off if the model did not beat the plain rules.

    Example: breakhorn risk live
    """
    import logging
    import signal
    import threading

    from analysis.broker.address import broker_of
    from analysis.read import open_store
    from analysis.risk.live import Scorer, serve, step_back

    logging.Formatter.converter = time.gmtime
    logging.basicConfig(level=log_level.upper(), format="%(asctime)sZ %(levelname)s %(name)s: %(message)s")
    stopping = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stopping.set())
    with said():
        with open_store(path) as store:
            root = store.mill().topic_root
            cards = _files(path, store, names, model)
        step_back()
        scorer = Scorer(path, cards, forced=forced, stale_after_s=stale_after_s)
        serve(scorer, broker_of(path), root, list(cards), now_ms=_now_ms, stopping=stopping)


@click.command()
@MACHINES
@MODEL
@AT
@JSON
@click.pass_obj
def now(path: Path, names: tuple[str, ...], model: Path | None, at_text: str | None, as_json: bool) -> None:
    """What would be published of the newest minute, or of a past one; publishes nothing.

    Example: breakhorn risk now
    """
    from analysis.risk.bulletin import Condition, bulletin, reasons_now
    from analysis.risk.drift import drift as drift_of
    from analysis.risk.tell_live import tell_now
    from analysis.risk.watch import Watch

    results: list[Result] = []
    with _each(path, names, model) as (store, found):
        for machine, card in found:
            at_ms = _instant(store, machine, at_text)
            seen = Watch(card).look(store.connection, until_ms=at_ms)
            told = bulletin(
                card,
                seen,
                now_ms=seen.last_ms,
                published_ms=store.freshness().published_ms,
                drift=drift_of(card, seen),
            )
            why = reasons_now(card, seen, len(seen.rows) - 1) if told.condition is Condition.SCORED else ()
            results.append(tell_now(machine.name, card, seen, told, why, store.mill().zone))
    give("risk now", results, as_json=as_json)


@click.command()
@MACHINES
@MODEL
@click.option("--days", type=click.IntRange(1, 365), default=30, show_default=True, help="How far back to look. [d]")
@JSON
@click.pass_obj
def drift(path: Path, names: tuple[str, ...], model: Path | None, days: int, as_json: bool) -> None:
    """Whether the model still fits the machine: breaks expected and observed, and factors that have moved.

    Only days after those it was fitted on count.

    Example: breakhorn risk drift --days 14
    """
    from analysis.risk.drift import drift as drift_of
    from analysis.risk.tell_live import tell_drift
    from analysis.risk.watch import Watch

    results: list[Result] = []
    with _each(path, names, model) as (store, found):
        for machine, card in found:
            seen = Watch(card).look(store.connection)
            results.append(tell_drift(machine.name, drift_of(card, seen, days=days), store.mill().zone))
    give("risk drift", results, as_json=as_json)


@click.command()
@MACHINES
@click.option(
    "--hold-out",
    "hold_out_days",
    type=click.IntRange(1, 90),
    default=14,
    show_default=True,
    help="Newest days on which old and new are compared. [d]",
)
@click.option("--yes", is_flag=True, help="Switch even if the new model is worse.")
@JSON
@click.pass_obj
def retrain(path: Path, names: tuple[str, ...], hold_out_days: int, yes: bool, as_json: bool) -> None:
    """Fit the model anew, hold it against the one at work on days neither has seen, and switch if it is not worse.

    The one at work is kept as risk/<machine>.previous.json; a running 'risk live' takes up the new one by itself.

    Example: breakhorn risk retrain --hold-out 7
    """
    from analysis.risk.retrain import compare, held_out_from, put_in_place
    from analysis.risk.tell_live import tell_retrained

    results: list[Result] = []
    with _each(path, names, None) as (store, found):
        for machine, old in found:
            whole = _exposure(store, old)
            from_ms = held_out_from(old, whole, hold_out_days)
            before = _exposure(store, old, until_ms=from_ms - old.settings.purge_ms)
            compared = compare(old, _fitted(before, old), whole, from_ms)
            at_work = old
            if switched := compared.not_worse or yes:
                at_work = _fitted(whole, old)
                put_in_place(at_work, card_file(path, machine.machine))
            zone = store.mill().zone
            results.append(tell_retrained(machine.name, compared, zone, switched=switched, model_id=at_work.model_id))
    give("risk retrain", results, as_json=as_json)


@click.command("what-if")
@MACHINES
@MODEL
@click.option(
    "--set",
    "written",
    multiple=True,
    required=True,
    metavar="TAG=VALUE",
    help="A tag and where it is supposed to have stood for the last hour, in its own unit; may be repeated.",
)
@AT
@JSON
@click.pass_obj
def what_if(
    path: Path,
    names: tuple[str, ...],
    model: Path | None,
    written: tuple[str, ...],
    at_text: str | None,
    as_json: bool,
) -> None:
    """What the risk would have been, had a tag stood elsewhere: association, not a promise.

    Example: breakhorn risk what-if --set press.draw=1.8
    """
    from analysis.risk.suppose import suppose
    from analysis.risk.tell_live import tell_supposed

    changes = dict(_change(text) for text in written)
    results: list[Result] = []
    with _each(path, names, model) as (store, found):
        for machine, card in found:
            at_ms = None if at_text is None else _instant(store, machine, at_text)
            supposed = suppose(store.connection, card, changes, at_ms)
            results.append(tell_supposed(machine.name, supposed, store.mill().zone))
    give("risk what-if", results, as_json=as_json)


@contextmanager
def _each(path: Path, names: tuple[str, ...], model: Path | None) -> Iterator[tuple[Store, list[tuple[Machine, Card]]]]:
    """The open store, and each machine asked for with its model."""
    from analysis.read import open_store
    from analysis.risk.card import load

    with said(), open_store(path) as store:
        files = _files(path, store, names, model)
        yield store, [(store.machine(name), load(file)) for name, file in files.items()]


def _files(path: Path, store: Store, names: tuple[str, ...], model: Path | None) -> dict[str, Path]:
    """File of the model of each machine asked for, or of all that have one."""
    from analysis.risk.card import load

    if model is not None:
        name = load(model).machine
        if names not in ((), (name,)):
            raise click.UsageError(f"{model} is a model of machine {name!r}")
        return {store.machine(name).machine: model}
    files = {m.machine: card_file(path, m.machine) for m in machines_of(store, names)}
    missing = [machine for machine, file in files.items() if not file.exists()]
    if missing and (names or len(missing) == len(files)):
        raise click.ClickException(f"there is no model of {', '.join(missing)} yet; fit it with 'breakhorn risk fit'")
    return {machine: file for machine, file in files.items() if file.exists()}


def _exposure(store: Store, card: Card, until_ms: int | None = None) -> Exposure:
    from analysis.risk.exposure import build

    return build(store.connection, card.machine, card.settings, from_ms=card.from_ms, until_ms=until_ms)


def _fitted(exposure: Exposure, old: Card) -> Card:
    """A model made as the old one was, from an exposure table."""
    from analysis.risk.card import fit
    from analysis.risk.judge import judge

    return fit(exposure, judge(exposure, challenger=False), made_ms=_now_ms(), replaces=old.model_id)


def _instant(store: Store, machine: Machine, text: str | None) -> int:
    """The whole minute that was written, at most the newest. [ms]"""
    from analysis.period import instant_ms

    last_ms = machine.last_ms or 0
    if text is None:
        return last_ms
    return min(instant_ms(text, store.mill().zone, now_ms=last_ms), last_ms) // 60_000 * 60_000


def _change(text: str) -> tuple[str, float]:
    name, _, value = text.rpartition("=")
    try:
        return name.strip(), float(value)
    except ValueError:
        raise click.UsageError(f"cannot read {text!r}; write --set TAG=VALUE, say --set press.draw=1.8") from None


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
