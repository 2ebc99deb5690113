"""What the scorer takes from mill.toml, and how it says what is wrong there."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.broker.address import Broker, NoPassword, broker_of
from analysis.read import NoMill
from collector.settings import load_mill
from tests.mills import EXAMPLE


def mill(folder: Path, broker: str) -> Path:
    file = folder / "mill.toml"
    file.write_text(broker, encoding="utf-8")
    return file


def test_without_a_table_it_is_this_computer_without_a_password(tmp_path: Path) -> None:
    assert broker_of(mill(tmp_path, "")) == Broker(host="127.0.0.1", port=1883)


def test_everything_that_lets_one_in_is_taken_with_paths_beside_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MILL_SECRET", "felt")
    file = mill(
        tmp_path,
        '[broker]\nhost = "mqtt.ellerholm.example"\nport = 8883\nclient_id = "log"\nusername = "log"\n'
        'password_env = "MILL_SECRET"\ntls_ca = "ca.pem"\ntls_cert = "own.pem"\ntls_key = "/keys/own.key"\n',
    )

    found = broker_of(file)

    assert found == Broker(
        host="mqtt.ellerholm.example",
        port=8883,
        client_id="log",
        username="log",
        password="felt",
        tls_ca=tmp_path / "ca.pem",
        tls_cert=tmp_path / "own.pem",
        tls_key=Path("/keys/own.key"),
    )
    assert "felt" not in repr(found)


def test_the_password_is_the_first_line_of_its_file(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("felt\r\nnot this\n", encoding="utf-8")

    assert broker_of(mill(tmp_path, '[broker]\npassword_file = "secret"\n')).password == "felt"


@pytest.mark.parametrize("key", ['password_env = "NOT_SET_ANYWHERE"', 'password_file = "nowhere"'])
def test_a_password_that_is_not_there_is_said_to_be_missing(tmp_path: Path, key: str) -> None:
    with pytest.raises(NoPassword, match=r"\(\[broker\] password_"):
        broker_of(mill(tmp_path, f"[broker]\n{key}\n"))


@pytest.mark.parametrize(
    "line", ["port = 0", "port = true", 'port = "1883"', "host = 5", "tls_ca = 1", "username = []"]
)
def test_what_cannot_be_is_refused_with_where_to_look(tmp_path: Path, line: str) -> None:
    with pytest.raises(NoMill, match=r"\[broker\] (port|host|tls_ca|username) must be .*'breakhorn check' shows"):
        broker_of(mill(tmp_path, f"[broker]\n{line}\n"))


def test_a_broker_that_is_no_table_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NoMill, match=r"\[broker\] must be a table"):
        broker_of(mill(tmp_path, "broker = 5\n"))


def test_it_reads_the_example_as_the_collector_does() -> None:
    theirs, ours = load_mill(EXAMPLE).broker, broker_of(EXAMPLE)

    for key in ("host", "port", "tls_ca", "tls_cert", "tls_key", "username"):
        assert getattr(ours, key) == getattr(theirs, key), key


def test_whoever_says_less_may_have_a_user_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_text(
        '[broker]\nhost = "broker.example"\nusername = "breakhorn"\npassword_file = "not-for-the-page"\n'
        '[page]\nbroker_username = "page"\nbroker_password_file = "page.password"\n'
    )
    (tmp_path / "page.password").write_text("s3cret\n")

    broker = broker_of(path, user_of="page")

    assert (broker.host, broker.username, broker.password) == ("broker.example", "page", "s3cret")


def test_without_one_it_is_the_user_of_the_broker(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_text('[broker]\nusername = "breakhorn"\n[page]\nport = 8621\n')

    assert broker_of(path, user_of="page").username == "breakhorn"


def test_a_password_that_is_not_there_says_which_table_names_it(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_text('[page]\nbroker_username = "page"\nbroker_password_file = "none"\n')

    with pytest.raises(NoPassword, match=r"\[page\] broker_password_file"):
        broker_of(path, user_of="page")
