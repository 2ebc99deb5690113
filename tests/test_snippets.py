"""What documents and help texts tell people to type works as it stands there, or it is listed here why it is not run.

A document whose blocks need more than a store has a test of its own, in ``OF_THEIR_OWN``; all others are run here.
"""

from __future__ import annotations

import glob
import json
import re
import shlex
import shutil
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from breakhorn import COMMANDS, cli
from collector.settings.model.mill import TABLES
from replay_data.demo import write_mill
from tests.nights import STREAM
from tests.states import with_states
from tests.test_docs import DOCUMENTS as FOUND
from tests.test_operations import started_with

ROOT = Path(__file__).parent.parent
DOCUMENTS = sorted(path.relative_to(ROOT).as_posix() for path in FOUND)

OF_THEIR_OWN = {
    "analysis/ANALYST.md": "test_analyst_page.py",
    "analysis/DICTIONARY.md": "pages.py",
    "analysis/ENGINEER.md": "test_engineer_page.py",
    "collector/FLEET.md": "test_fleet.py",
    "collector/MESSAGES.md": "test_messages_page.py",
    "collector/OPERATIONS.md": "test_operations.py",
}
"""Whose blocks another file runs."""

NOT_RUN = {
    "./run demo": "a minute and a half; one day of it is run by test_cli.py",
    "./run tests": "runs this very test",
    "./run --mill breakhorn-demo/mill.toml risk judge": "needs more breaks than a small store has; test_risk_cli.py",
    ". .venv/bin/activate": "is the environment that runs this",
    "pytest": "runs this very test",
    "ruff": "is run by tests/all_checks.sh",
    "install -m": "writes where only root may; test_secured_broker.py starts Mosquitto with both files",
    "mosquitto_passwd": "the same, with a file of its own",
    "chown": "the same",
    "systemctl": "the same",
}
"""Beginnings of lines of a block, and why they are not run here."""

SHORTER = {"days=60": "days=1", "--days 90": "--days 1", "\n    ...\n": "\n    break\n"}
"""So that nobody waits for sixty days of messages."""

NOT_PARSED = {"breakhorn X", "./run X"}
"""Stand for any command."""

EXAMPLES_OF_OTHERS = {
    "test_analysis_cli.py": ("query", "dictionary", "export", "efficiency", "pareto", "shift", "broke", "report"),
    "test_dossier_cli.py": ("dossier",),
    "test_evidence_cli.py": ("evidence",),
    "test_page_cli.py": ("page",),
    "test_risk_cli.py": ("risk",),
    "test_runnability_cli.py": ("rate", "compare", "trend", "threading"),
    "test_suggest_cli.py": ("suggest",),
}
"""Commands whose examples another file runs."""

EXAMPLES_NOT_RUN = {
    "collect": "serves until it is stopped; test_stopping.py",
    "demo": "test_cli.py runs one day of it",
    "record": "listens for an hour; test_record.py",
    "replay": "takes four minutes at that speed; test_cli.py replays as fast as may be",
    "status": "exits with 1 where no collector runs; test_status.py",
    "lake take": "test_lake.py moves a machine between two collectors",
    "restore": "needs an empty store; below, after the others",
}
"""Commands whose examples are only parsed here, and why."""


def blocks(document: str) -> Iterator[tuple[str, str]]:
    """Language and text of each block."""
    text = (ROOT / document).read_text(encoding="utf-8")
    yield from re.findall(r"^```(\w*)\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def prose(document: str) -> str:
    """All but the blocks."""
    text = (ROOT / document).read_text(encoding="utf-8")
    return re.sub(r"^```\w*\n.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)


OURS = [name for name in DOCUMENTS if name not in OF_THEIR_OWN and list(blocks(name))]


def run(line: str, **environment: str) -> Result:
    """A line of a shell block that calls breakhorn."""
    program, *arguments = shlex.split(line.replace("\\$", "$"), comments=True)
    assert program in ("breakhorn", "./run"), f"cannot run {line!r}: teach this test, or say why not in NOT_RUN"
    spread = [found for word in arguments for found in sorted(glob.glob(word)) or [word]]
    return CliRunner().invoke(cli, spread, env=environment)


@pytest.fixture
def here(tmp_path: Path, small_mill: Path, monkeypatch: pytest.MonkeyPatch) -> Mapping[str, str]:
    """A folder in which breakhorn-demo holds the store that is written by hand; gives the environment."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "breakhorn-demo").symlink_to(small_mill.parent)
    return {"BREAKHORN_MILL": str(small_mill)}


def test_every_document_whose_blocks_are_run_elsewhere_is_there_and_known_there() -> None:
    for document, test in OF_THEIR_OWN.items():
        parts = Path(document).parts
        told = (ROOT / "tests" / test).read_text(encoding="utf-8")

        assert document in DOCUMENTS
        assert re.search(r'[/"\s]+'.join(map(re.escape, parts)) + "|" + re.escape(parts[-1]), told), test


@pytest.mark.parametrize("document", OURS)
def test_every_line_of_a_shell_block_runs(document: str, here: Mapping[str, str]) -> None:
    failed = {}
    for language, text in blocks(document):
        for line in _shortened(text).splitlines() if language == "sh" else ():
            if not line.startswith(tuple(NOT_RUN)) and (done := run(line, **here)).exit_code:
                failed[line] = done.output

    assert failed == {}


def test_every_line_that_is_not_run_is_still_there() -> None:
    lines = [line for name in OURS for language, text in blocks(name) if language == "sh" for line in text.splitlines()]

    assert [start for start in NOT_RUN if not any(line.startswith(start) for line in lines)] == []


@pytest.mark.parametrize("document", OURS)
def test_every_other_block_is_what_it_says_it_is(document: str, here: Mapping[str, str]) -> None:
    for language, text in blocks(document):
        match language:
            case "python":
                exec(_shortened(text), {})
            case "json":
                json.loads(text)
            case "toml":
                for name, said in tomllib.loads(text).items():
                    TABLES[name,].model_validate(said, strict=False)
            case "mermaid":
                assert with_states((ROOT / document).read_text(encoding="utf-8")).count(text) == 1
            case _:
                assert language == "sh", f"{document}: a block of {language or 'no language'}"


def _shortened(text: str) -> str:
    for long, short in SHORTER.items():
        text = text.replace(long, short)
    return text


def inline(document: str) -> Iterator[str]:
    """The commands that its prose names, without dots and shell words after them."""
    for told in re.findall(r"`((?:breakhorn|\./run) [^`]+)`", prose(document)):
        line = re.split(r" …| [|>;] ?", " ".join(told.split()))[0]
        if line not in NOT_PARSED and not line.startswith("./run tests"):
            yield line


@pytest.mark.parametrize("document", [name for name in DOCUMENTS if list(inline(name))])
def test_every_command_that_the_text_names_takes_what_it_is_given(document: str, here: Mapping[str, str]) -> None:
    refused = {}
    for line in inline(document):
        arguments = shlex.split(line)[1:]
        if arguments[0] == "--mill":
            arguments = arguments[2:]
        try:
            started_with([word.replace("…", "") for word in arguments])
        except click.MissingParameter:
            continue  # only its name
        except (click.ClickException, AssertionError) as error:
            refused[line] = str(error)

    assert refused == {}


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_module_of_the_tests_that_a_document_names_is_there_with_its_options(document: str) -> None:
    text = (ROOT / document).read_text(encoding="utf-8")

    for module, rest in re.findall(r"python -m (tests\.[\w.]+\w)([^`\n|]*)", text):
        path = ROOT / module.replace(".", "/")
        files = [path.with_suffix(".py")] if path.with_suffix(".py").is_file() else list(path.glob("**/*.py"))
        assert files, module
        sources = [file.read_text(encoding="utf-8") for file in [*files, *BENCHMARKS]]
        for option in re.findall(r"--[a-z-]+", rest):
            assert any(f'"{option}"' in source for source in sources), f"{module} knows no {option}"


BENCHMARKS = sorted((ROOT / "tests" / "benchmarks" / "stand").glob("*.py"))
"""What benchmarks share."""


def examples() -> dict[str, str]:
    """The example of each command, by its words; a group's own is that of one of its commands."""
    found: dict[str, str] = {}
    with click.Context(cli) as context:
        for name in COMMANDS:
            command = cli.get_command(context, name)
            inner = command.commands if isinstance(command, click.Group) else {}
            assert command is not None
            for words, one in ({f"{name} {sub}": one for sub, one in inner.items()} or {name: command}).items():
                found[words] = (one.help or "").rstrip().splitlines()[-1].strip()
    return {words: line.removeprefix("Example: ") for words, line in found.items()}


def test_the_example_of_every_command_is_run_by_a_test(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, small_mill: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    mill = write_mill(tmp_path, 9)
    mill.write_text(f'{mill.read_text()}\n[lake]\nfolder = "{tmp_path}/lake"\n')
    shutil.copyfile(STREAM, "night.jsonl.gz")
    others = {name for names in EXAMPLES_OF_OTHERS.values() for name in names}
    order = ("check", "load", "rebuild", "backup", "lake make", "lake copy", "lake check", "fleet")
    ours = {words: line for words, line in examples().items() if not {words, words.split()[0]} & others}

    for words, line in ours.items():
        assert set(words.split()) <= set(shlex.split(line))
    todo = [words for words in ours if words not in EXAMPLES_NOT_RUN]
    failed = {}
    for words in sorted(todo, key=lambda words: order.index(words) if words in order else len(order)):
        line = ours[words].replace("--days 3", "--days 1").replace("/mnt/lake", f"{tmp_path}/lake")
        of = small_mill if words == "loss-sheet" else mill
        if (done := run(line, BREAKHORN_MILL=str(of))).exit_code:
            failed[line] = done.output

    assert failed == {}
    shutil.rmtree(tmp_path / "store")
    assert run(ours["restore"]).exit_code == 0


@pytest.mark.parametrize("test", EXAMPLES_OF_OTHERS)
def test_who_runs_examples_elsewhere_takes_them_from_the_help_text(test: str) -> None:
    text = (ROOT / "tests" / test).read_text(encoding="utf-8")

    assert "Example: breakhorn" in text


def test_every_example_that_is_not_run_is_of_a_command() -> None:
    assert set(EXAMPLES_NOT_RUN) <= set(examples())
