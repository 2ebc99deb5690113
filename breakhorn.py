"""The command: joins the subcommands of collector, analysis and the demo mill, and loads each when it is called."""

from __future__ import annotations

import io
import os
import signal
import sys
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("replay_data.cli:demo", "Simulate a mill, collect it through a broker, and write the report."),
    "simulate": ("replay_data.cli:simulate", "Write only the demo mill's streams."),
    "survey": ("collector.survey.cli:survey", "Listen for some minutes: what is there, and a draft of mill.toml."),
    "check": ("collector.cli:check", "Say everything that is wrong with mill.toml."),
    "collect": ("collector.cli:collect", "Listen to the machines and keep what happens: the service."),
    "status": ("collector.status.cli:status", "What the collector is doing, and whether all is well."),
    "backup": ("collector.backup.cli:backup", "Copy the store while the collector writes, and check the copy."),
    "restore": ("collector.backup.cli:restore", "Bring a backup back into an empty store folder."),
    "lake": ("collector.lake.cli:lake", "The lake that several collectors share: make, copy, take, check."),
    "replay": ("collector.cli:replay", "Publish recorded streams to a broker."),
    "record": ("collector.cli:record", "Write what a broker sends to a stream file."),
    "load": ("collector.load_cli:load", "Feed stream files to the store, without a broker."),
    "rebuild": (
        "collector.rebuild.cli:rebuild",
        "Work out the breaks again from the stored samples, late ones included.",
    ),
    "query": (
        "analysis.query_cli:query",
        "Ask the store in SQL, or a question of the cookbook; nothing can be changed by it.",
    ),
    "dictionary": ("analysis.dictionary.cli:say", "What is in the store: views, columns, units, keys, macros."),
    "fleet": ("analysis.fleet.cli:fleet", "Ask all mills of a lake in SQL, or one of the ready questions."),
    "efficiency": ("analysis.cli:efficiency", "Where the time went, and the efficiencies that follow."),
    "pareto": ("analysis.cli:pareto", "Losses ranked by count, minutes, tonnes and money."),
    "shift": ("analysis.cli:shift", "What happened in the last shift, or any other."),
    "loss-sheet": ("analysis.loss_sheet.cli:loss_sheet", "A shift on one A4 page, for the handover and the file."),
    "broke": ("analysis.cli:broke", "What the broke pits were given, by pit, grade and shade."),
    "rate": ("analysis.runnability.cli:rate", "How often the sheet breaks: rate, time to break, charts, clusters."),
    "compare": ("analysis.runnability.cli:compare", "Whether a change helped: the rate before and after it."),
    "trend": ("analysis.runnability.cli:trend", "Whether the rate of breaks is rising or falling."),
    "threading": ("analysis.runnability.cli:threading", "How the sheet is brought back: attempts and minutes."),
    "evidence": ("analysis.evidence.cli:evidence", "What was different before breaks, against matched quiet runs."),
    "dossier": ("analysis.dossier.cli:dossier", "Everything about one break."),
    "suggest": ("analysis.suggest.cli:suggest", "What may have caused the breaks that nobody has coded."),
    "page": ("analysis.page.cli:page", "The crew's page: the shift, its breaks, and coding them."),
    "report": ("analysis.cli:report", "All of it as one self-contained page."),
    "export": ("analysis.package.cli:export", "A data package to hand over, with names replaced on wish."),
    "risk": ("analysis.risk.cli:risk", "A break-risk model, judged honestly, and replayed."),
}
"""Name of each subcommand: where it is, and one line on what it does."""


class LazyGroup(click.Group):
    """A group that imports a subcommand when it is called, so that ``--help`` is there at once."""

    def list_commands(self, _: click.Context) -> list[str]:
        """All names, in the order in which a newcomer meets them."""
        return list(COMMANDS)

    def get_command(self, _: click.Context, name: str) -> click.Command | None:
        """The subcommand itself; None if there is none of that name."""
        if name not in COMMANDS:
            return None
        module, __, attribute = COMMANDS[name][0].partition(":")
        command = getattr(import_module(module), attribute)
        if not isinstance(command, click.Command):
            raise TypeError(f"{COMMANDS[name][0]} is not a command")
        return command

    def format_commands(self, _: click.Context, formatter: click.HelpFormatter) -> None:
        """List the subcommands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.command(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="breakhorn", prog_name="breakhorn")
@click.option(
    "--mill",
    type=click.Path(dir_okay=False, path_type=Path),
    envvar="BREAKHORN_MILL",
    default=Path("mill.toml"),
    show_default=True,
    show_envvar=True,
    help="The file that describes the mill.",
)
@click.pass_context
def cli(context: click.Context, mill: Path) -> None:
    """Log sheet breaks of paper machines as they happen, and find out what they cost and what precedes them.

    Example: breakhorn --mill mill.toml efficiency
    """
    context.obj = mill


def _speak_any_character() -> None:
    """Write UTF-8 to files and pipes whatever the locale; "?" for what a terminal does not know."""
    for stream in (sys.stdout, sys.stderr):
        if not isinstance(stream, io.TextIOWrapper) or stream.encoding.lower() == "utf-8":
            continue
        if stream.isatty():
            stream.reconfigure(errors="replace")
        else:
            stream.reconfigure(encoding="utf-8", errors=stream.errors)


class _CannotWrite(BaseException):
    """What is printed comes no further. No error, so that nothing on the way takes it for one of its own."""


class _Stdout(io.FileIO):
    fault: OSError | None = None

    def write(self, data: ReadableBuffer, /) -> int:
        if self.fault is None:
            try:
                return super().write(data)
            except OSError as error:
                self.fault = error
                raise _CannotWrite from None
        return memoryview(data).nbytes  # of what is still buffered nobody shall hear again


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command; the entry point of the installed package.

    Who closes the pipe (``| head``) ends every command as any other program: tidily, without a word, by SIGPIPE. Python
    ignores that signal, for the sake of sockets, and each library that prints has its own answer to what comes instead.
    Any other fault of stdout, such as a full disk, is one line.
    """
    _speak_any_character()
    was = sys.stdout
    try:
        raw = _Stdout(was.fileno(), "w", closefd=False)
    except (AttributeError, io.UnsupportedOperation):  # there is no stdout, or only one in memory
        cli(arguments, prog_name="breakhorn")
        return
    sys.stdout = io.TextIOWrapper(io.BufferedWriter(raw), was.encoding, was.errors, line_buffering=was.isatty())
    try:
        cli(arguments, prog_name="breakhorn")
    finally:
        with suppress(_CannotWrite):
            sys.stdout.flush()
        if raw.fault is not None:
            _end_for(raw.fault)


def _end_for(fault: OSError) -> NoReturn:
    if isinstance(fault, BrokenPipeError):
        if hasattr(signal, "SIGPIPE"):  # not on Windows
            signal.signal(signal.SIGPIPE, signal.SIG_DFL)
            os.kill(os.getpid(), signal.SIGPIPE)
    else:
        click.echo(f"Error: stdout cannot be written: {fault.strerror}", err=True)
    sys.exit(1)


if __name__ == "__main__":
    main()
