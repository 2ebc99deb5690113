"""The command ``page``: where it listens, whom it refuses to serve, and that it ends when it is told to."""

from __future__ import annotations

import asyncio
import errno
import re
import shlex
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Coroutine, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from click.testing import CliRunner, Result
from starlette.applications import Starlette

from analysis.page import serve as serving
from analysis.page.app import site
from analysis.page.cli import page
from analysis.page.entrance import Doorkeeper
from analysis.page.keys import Keys
from analysis.page.outbox import Outbox
from analysis.page.serve import CannotListen, ImpatientLoop, address, configured, listen
from analysis.page.settings import PageSettings, settings_of
from collector.mqtt.broker import free_port
from tests.certificates import Authority
from tests.page import night_store
from tests.servers import accepts, wait_until

SERVE = serving.serve
ASKED = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
BEGUN = b"POST /choose HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 99\r\n\r\nfo"
ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return night_store(tmp_path_factory.mktemp("made"))


@pytest.fixture
def mill(made: Path, tmp_path: Path) -> Path:
    """A mill.toml of its own over the same store."""
    text = made.read_text().replace('"kept"', f'"{made.parent / "kept"}"')
    (tmp_path / "mill.toml").write_text(text)
    return tmp_path / "mill.toml"


@pytest.fixture(autouse=True)
def serve_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    """Everything but waiting for visitors."""

    def ready(_: object, __: object, listening: socket.socket, ready: object) -> None:
        assert callable(ready)
        ready()
        listening.close()

    monkeypatch.setattr(serving, "serve", ready)


def run(path: Path, arguments: str = "", typed: str | None = None) -> Result:
    return CliRunner().invoke(page, shlex.split(arguments), obj=path, prog_name="breakhorn page", input=typed)


def test_the_example_of_the_help_text_runs(mill: Path) -> None:
    example = re.search(r"Example: breakhorn page ([^\n]+)$", (page.help or "").rstrip())

    assert example is not None
    done = run(mill, f"{example[1]} --port 0")
    assert done.exit_code == 0
    assert re.search(r"the page is at http://127\.0\.0\.1:\d+/", done.stderr)


def test_at_another_address_it_does_not_start_without_users_or_a_token(mill: Path) -> None:
    done = run(mill, "--host 0.0.0.0 --port 0")

    assert done.exit_code == 1
    assert "users_file or token_file" in done.stderr


def test_a_port_that_is_taken_is_said_to_be(mill: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        done = run(mill, f"--port {other.getsockname()[1]}")

    assert done.exit_code == 1
    assert "choose another with --port" in done.stderr


def test_a_language_that_is_not_there_is_refused(mill: Path) -> None:
    done = run(mill, "--language xx --port 0")

    assert done.exit_code == 1
    assert "it has en, de" in done.stderr


def test_a_user_is_written_and_may_come_in(mill: Path) -> None:
    mill.write_text(mill.read_text() + '[page]\nusers_file = "users"\n')

    done = run(mill, "--add-user Aino", typed="couch roll no. 4\ncouch roll no. 4\n")

    assert done.exit_code == 0, done.stderr
    doorkeeper = Doorkeeper(settings_of(mill), Keys(b"x" * 32))
    assert doorkeeper.lets_in("Aino", "couch roll no. 4") == "Aino"
    assert doorkeeper.lets_in("Aino", "couch roll no. 5") is None
    assert doorkeeper.lets_in("Väinö", "couch roll no. 4") is None


def test_a_user_needs_a_file_and_a_password_that_is_long_enough(mill: Path) -> None:
    nowhere = run(mill, "--add-user Aino")
    mill.write_text(mill.read_text() + '[page]\nusers_file = "users"\n')
    short = run(mill, "--add-user Aino", typed="x\nx\n")

    assert nowhere.exit_code == 1
    assert "[page] users_file" in nowhere.stderr
    assert short.exit_code == 2
    assert "at least 10" in short.stderr


def test_a_second_page_of_the_same_folder_is_refused(mill: Path) -> None:
    outbox = Outbox(mill.parent / "page" / "outbox")

    done = run(mill, "--port 0")

    outbox.close()
    assert done.exit_code == 1
    assert "used by another page" in done.stderr


def test_a_certificate_that_is_not_there_is_named(mill: Path) -> None:
    settings = replace(settings_of(mill), tls_cert=mill.parent / "none.pem", tls_key=mill.parent / "none.key", port=0)

    with listen(settings) as listening, pytest.raises(CannotListen, match=r"none\.pem"):
        SERVE(Starlette(), settings, listening, lambda: None)


def test_a_connection_whose_other_end_takes_nothing_is_over_in_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "GONE_AFTER_MS", 300)
    with (
        listen(PageSettings(folder=tmp_path, port=0)) as listening,
        socket.create_connection(listening.getsockname()),
        listening.accept()[0] as accepted,
    ):
        accepted.setblocking(False)
        with suppress(BlockingIOError):
            while True:
                accepted.send(bytes(65_536))

        ended = partial(accepted.getsockopt, socket.SOL_SOCKET, socket.SO_ERROR)
        wait_until(lambda: ended() == errno.ETIMEDOUT, what="the end of the connection")


def test_the_address_that_is_told_can_be_asked_for(mill: Path) -> None:
    everywhere = replace(settings_of(mill), host="0.0.0.0", port=0)

    with listen(replace(everywhere, host="127.0.0.1")) as listening:
        port = listening.getsockname()[1]
        assert address(everywhere, listening) == f"http://{socket.gethostname()}:{port}/"
        assert address(replace(everywhere, host="::1"), listening) == f"http://[::1]:{port}/"


def running(serving_on: Coroutine[Any, Any, None]) -> None:
    """Run in a loop as the page itself has."""
    with asyncio.Runner(loop_factory=ImpatientLoop) as runner:
        runner.run(serving_on)


@contextmanager
def served(mill: Path, **settings: Any) -> Iterator[int]:
    """The page as it is served, in a thread; gives its port."""
    found = replace(settings_of(mill), port=0, **settings)
    ends = threading.Event()

    async def run(listening: socket.socket) -> None:
        server = uvicorn.Server(configured(site(mill, found), found))
        serving = asyncio.create_task(server.serve(sockets=[listening]))
        await asyncio.to_thread(ends.wait)
        server.should_exit = True
        await serving

    with listen(found) as listening:
        thread = threading.Thread(target=lambda: running(run(listening)))
        thread.start()
        try:
            yield listening.getsockname()[1]
        finally:
            ends.set()
            thread.join(30)


@pytest.mark.parametrize("said", [b"", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ", BEGUN, ASKED + b"GET / HTT"])
def test_whoever_connects_and_does_not_finish_asking_is_let_go(
    mill: Path, monkeypatch: pytest.MonkeyPatch, said: bytes
) -> None:
    monkeypatch.setattr(serving, "ASKS_WITHIN_S", 0.3)
    with served(mill) as port, socket.create_connection(("127.0.0.1", port), timeout=30) as slow:
        slow.sendall(said)

        with suppress(ConnectionResetError):
            while slow.recv(65_536):
                pass


def test_whoever_connects_and_never_ends_the_handshake_is_let_go(
    mill: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cert, key = Authority.made(tmp_path / "certificates").vouch("page")
    monkeypatch.setattr(serving, "ASKS_WITHIN_S", 0.3)
    with (
        served(mill, tls_cert=cert, tls_key=key) as port,
        socket.create_connection(("127.0.0.1", port), timeout=30) as slow,
        suppress(ConnectionResetError),
    ):
        assert slow.recv(1) == b""


def test_one_address_cannot_have_all_connections(mill: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serving, "MOST_OF_ONE", 2)
    with served(mill) as port, ExitStack() as open_ones:
        first, second, third = (
            open_ones.enter_context(socket.create_connection(("127.0.0.1", port), timeout=30)) for _ in range(3)
        )
        with suppress(ConnectionResetError):
            assert third.recv(1) == b""

        second.close()
        first.sendall(ASKED)
        assert first.recv(12) == b"HTTP/1.1 303"


def test_a_trusted_proxy_may_have_as_many_as_it_needs(mill: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serving, "MOST_OF_ONE", 1)
    with (
        served(mill, trusted_proxies=("127.0.0.0/8",), token="rope-and-tail-2026-03") as port,
        socket.create_connection(("127.0.0.1", port)),
        socket.create_connection(("127.0.0.1", port), timeout=30) as second,
    ):
        second.sendall(ASKED)
        assert second.recv(12) == b"HTTP/1.1 401"


STREAMING = """
import asyncio, sys
from dataclasses import replace
from pathlib import Path
from typing import Any
from starlette.responses import StreamingResponse
from starlette.routing import Route
from analysis.page.app import site
from analysis.page.serve import listen, serve
from analysis.page.outbox import Outbox
from analysis.page.serve import CannotListen, address, listen
from analysis.page.settings import settings_of
from analysis.page.site import site_of

async def stream(request):
    async def news():
        yield "data: begun\\n\\n"
        await site_of(request).ending.wait()
        yield "data: ended\\n\\n"
    return StreamingResponse(news(), media_type="text/event-stream")

path = Path(sys.argv[1])
settings = replace(settings_of(path), port=int(sys.argv[2]))
app = site(path, settings)
app.routes.append(Route("/stream", stream))
serve(app, settings, listen(settings), lambda: None)
"""


def test_it_ends_when_it_is_told_to_with_streams_open_and_lets_them_end(mill: Path) -> None:
    port = free_port()
    command = [sys.executable, "-c", STREAMING, str(mill), str(port)]
    with subprocess.Popen(command, cwd=ROOT, stderr=subprocess.PIPE, text=True) as process:
        wait_until(lambda: accepts(port), what="the page's start")
        with httpx.stream("GET", f"http://127.0.0.1:{port}/stream", timeout=30, trust_env=False) as answer:
            lines = answer.iter_lines()
            first = next(lines)
            process.send_signal(signal.SIGTERM)
            rest = [line for line in lines if line]
        _, errors = process.communicate(timeout=30)

    assert (first, rest) == ("data: begun", ["data: ended"])
    assert process.returncode == 0, errors
    assert "Traceback" not in errors
