"""The Mosquitto configuration that ships: everybody may do what they need to, and nothing else; no secret is told."""

from __future__ import annotations

import json
import logging
import queue
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import MQTTProtocolVersion

import collector as package
from collector.check import examine
from collector.message import Message
from collector.mqtt import link
from collector.mqtt.broker import free_port
from collector.mqtt.replay import NoBroker, Publisher, replay
from collector.mqtt.subscriber import Subscriber
from collector.settings import Broker, load_mill
from collector.status import listen
from tests.certificates import Authority
from tests.servers import mosquitto_with, needs, wait_until
from tests.test_broker_trouble import scans, until_connected, until_samples
from tests.test_service import collecting, mill_at, rows

pytestmark = pytest.mark.broker

SHIPPED = Path(package.__file__).parent / "deploy" / "mosquitto"
USERS = ("breakhorn", "gateway", "office", "page", "watch")
ROOT = Path(__file__).parent.parent


UNCLOSED = "ignore:.*ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning"
"""After a failed handshake paho leaves its socket to the garbage collector."""


def secret(user: str) -> str:
    """The password of a user: to be found nowhere but where it belongs."""
    return f"s3cret-{user}-Qz"


@dataclass(frozen=True, slots=True)
class Secured:
    """A broker of the mill that is secured as we ship it."""

    port: int
    folder: Path
    authority: Authority

    def lines(self, user: str, **more: str) -> str:
        """The lines of [broker] for a user, with the password in a file of its own."""
        file = self.folder / f"{user}.password"
        file.touch(mode=0o600)
        file.write_text(secret(user) + "\n")
        said = {"tls_ca": str(self.authority.certificate), "username": user, "password_file": str(file), **more}
        return "\n".join(f'{key} = "{value}"' for key, value in said.items() if value)

    def with_certificate(self, user: str) -> str:
        """The lines of [broker] for a user that has a certificate in the place of a password."""
        certificate, key = self.authority.vouch(user)
        return self.lines(user, username="", password_file="", tls_cert=str(certificate), tls_key=str(key))

    def as_user(self, user: str, folder: Path) -> Broker:
        """The broker's settings of a user."""
        return mill_at(folder / f"of-{user}", self.port, broker=self.lines(user)).broker


@contextmanager
def secured(folder: Path, *changes: tuple[str, str]) -> Iterator[Secured]:
    """Mosquitto with the configuration that ships, paths and port changed, and with further changes."""
    folder.mkdir()
    authority, port = Authority.made(folder / "certs"), free_port()
    authority.vouch("server")
    passwords = folder / "breakhorn.passwd"
    passwords.touch(mode=0o600)
    for user in USERS:
        command = [needs("mosquitto_passwd"), "-b", str(passwords), user, secret(user)]
        subprocess.run(command, check=True, capture_output=True, timeout=30)
    paths = [
        ("listener 8883", f"listener {port} 127.0.0.1"),
        ("/etc/mosquitto/certs", str(folder / "certs")),
        ("/etc/mosquitto/breakhorn.passwd", str(passwords)),
        ("/etc/mosquitto/breakhorn.acl", str(SHIPPED / "acl")),
        ("/var/lib/mosquitto/", f"{folder}/data/"),
    ]
    (folder / "data").mkdir()
    text = (SHIPPED / "mosquitto.conf").read_text()
    for old, new in (*paths, *changes):
        assert old in text
        text = text.replace(old, new)
    with mosquitto_with(text, folder / "run", port=port):
        yield Secured(port, folder, authority)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Secured]:
    with secured(tmp_path / "broker") as broker:
        yield broker


@contextmanager
def listening(broker: Broker, *filters: str) -> Iterator[queue.Queue[tuple[str, bytes]]]:
    """What a user hears."""
    heard: queue.Queue[tuple[str, bytes]] = queue.Queue()
    client = link.build(broker, client_id=f"test-{broker.username}", version=MQTTProtocolVersion.MQTTv5)
    taken = queue.Queue[object]()

    def greeted(_: mqtt.Client, __: object, ___: mqtt.ConnectFlags, ____: object, _____: object) -> None:
        client.subscribe([(topic_filter, 1) for topic_filter in filters])

    client.on_connect = greeted
    client.on_subscribe = lambda *said: taken.put(said)
    client.on_message = lambda _, __, message: heard.put((message.topic, bytes(message.payload)))
    link.connect(client, broker)
    client.loop_start()
    taken.get(timeout=30)
    try:
        yield heard
    finally:
        client.disconnect()
        client.loop_stop()


def said(topic: str, payload: object = 1) -> Message:
    return Message(received_ms=1_772_330_400_000, topic=topic, payload=json.dumps(payload).encode())


def test_collector_gateway_and_page_work_through_it(
    broker: Secured, tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BREAKHORN_TEST_PASSWORD", secret("breakhorn"))
    lines = broker.lines("breakhorn", password_file="", password_env="BREAKHORN_TEST_PASSWORD")
    mill = mill_at(tmp_path / "mill", broker.port, broker=lines)
    page = broker.as_user("page", tmp_path)
    note = {
        "note_id": "7f0c0f0e-2f3e-4c61-9a52-6c1f6f2f1a11", "kind": "missed",
        "started": 1_772_330_300_000, "ended": 1_772_330_390_000, "ts": 1_772_330_400_000,
    }  # fmt: skip

    with (
        listening(page, "ellerholm/+/note/receipt", "ellerholm/collector/health") as heard,
        collecting(mill) as running,
    ):
        until_connected(running)
        with Publisher(broker.as_user("gateway", tmp_path)) as gateway:
            for message in scans(0, 50):
                gateway.send(message)
        with Publisher(page) as crew:
            crew.send(said("ellerholm/pm2/note", note))
        until_samples(running, 50)
        topics = set[str]()
        while len(topics) < 2:
            topics.add(heard.get(timeout=30)[0])
        by_status = listen(mill.broker, mill.topic_root, ("pm2",), wait_s=10)

    assert len(rows(mill)["sample"]) == 50
    assert len(rows(mill)["note"]) == 1
    assert by_status.health is not None
    assert "refuses" not in caplog.text
    assert "does not pass on" not in caplog.text


@pytest.mark.parametrize(
    ("user", "topic"),
    [
        ("gateway", "ellerholm/pm2/runnability/state"),
        ("gateway", "ellerholm/collector/health"),
        ("gateway", "ellerholm/pm2/note"),
        ("page", "ellerholm/pm2/scan"),
        ("page", "ellerholm/pm2/runnability/break"),
        ("breakhorn", "ellerholm/pm2/scan"),
        ("breakhorn", "ellerholm/pm2/note"),
        ("watch", "ellerholm/pm2/note"),
        ("office", "ellerholm/pm2/clothing"),
    ],
)
def test_nobody_may_say_what_is_not_theirs(broker: Secured, user: str, topic: str, tmp_path: Path) -> None:
    with (
        pytest.raises(NoBroker, match="may this user write the topic"),
        Publisher(broker.as_user(user, tmp_path)) as publisher,
    ):
        publisher.send(said(topic))


def test_whoever_replays_what_is_not_theirs_is_told_to_look_at_their_rights(broker: Secured, tmp_path: Path) -> None:
    """Many at once: the broker hangs up in the midst of them."""
    scans = [
        said("ellerholm/pm2/scan", {"ts": 1_772_330_400_000 + number, "values": {"a": 1}}) for number in range(300)
    ]
    for _ in range(5):
        with (
            pytest.raises(NoBroker, match="may this user write the topic"),
            Publisher(broker.as_user("office", tmp_path)) as publisher,
        ):
            replay(publisher, scans)


def test_nobody_hears_what_is_not_theirs(broker: Secured, tmp_path: Path) -> None:
    watch, page = broker.as_user("watch", tmp_path), broker.as_user("page", tmp_path)

    with listening(watch, "#") as at_watch, listening(broker.as_user("breakhorn", tmp_path), "#") as at_collector:
        with Publisher(page) as crew:
            crew.send(said("ellerholm/pm2/note"))
        assert at_collector.get(timeout=30)[0] == "ellerholm/pm2/note"
        with Publisher(broker.as_user("breakhorn", tmp_path)) as other:
            other.send(said("ellerholm/pm2/runnability/state"))
        # What the collector says itself it may hear, since status asks for it as the same user.
        assert [at.get(timeout=30)[0] for at in (at_watch, at_collector)] == ["ellerholm/pm2/runnability/state"] * 2

    assert (at_watch.qsize(), at_collector.qsize()) == (0, 0)


def test_a_message_that_is_too_large_for_the_collector_is_passed_on_and_told_of(
    broker: Secured, tmp_path: Path
) -> None:
    mill = mill_at(tmp_path / "mill", broker.port, broker=broker.lines("breakhorn"))

    with collecting(mill) as running:
        until_connected(running)
        with Publisher(broker.as_user("gateway", tmp_path)) as gateway:
            gateway.send(said("ellerholm/pm2/scan", "x" * 1_100_000))
            gateway.send(scans(0, 1)[0])
        until_samples(running, 1)

    ((topic, reason, payload),) = rows(mill)["rejected_message"]
    assert isinstance(payload, bytes)
    assert (topic, len(payload)) == ("ellerholm/pm2/scan", 4096)
    assert str(reason).startswith("payload has 1,100,002 bytes, 1,048,576 are the most there may be")


def test_certificates_do_in_the_place_of_passwords(tmp_path: Path) -> None:
    by_name = (("#require_certificate", "require_certificate"), ("#use_identity", "use_identity"))

    with secured(tmp_path / "broker", *by_name) as broker:
        mill = mill_at(tmp_path / "mill", broker.port, broker=broker.with_certificate("breakhorn"))
        gateway = mill_at(tmp_path / "gateway", broker.port, broker=broker.with_certificate("gateway"))
        with collecting(mill) as running:
            until_connected(running)
            with Publisher(gateway.broker) as publisher:
                publisher.send(scans(0, 1)[0])
            until_samples(running, 1)
        with pytest.raises(NoBroker, match="Not authorized"), Publisher(gateway.broker) as publisher:
            publisher.send(said("ellerholm/pm2/note"))


def trouble(mill_lines: str, broker: Secured, tmp_path: Path, caplog: pytest.LogCaptureFixture, words: str) -> None:
    """A collector with these lines does not come in, and says so in these words."""
    mill = mill_at(tmp_path / "mill", broker.port, broker=mill_lines)
    with collecting(mill) as running:
        wait_until(lambda: words in caplog.text, what=words)
        assert not running.connected


@pytest.mark.filterwarnings(UNCLOSED)
def test_a_broker_that_another_authority_vouches_for_is_not_trusted(
    broker: Secured, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    other = Authority.made(tmp_path / "other", "somebody else")
    lines = broker.lines("breakhorn", tls_ca=str(other.certificate))

    trouble(lines, broker, tmp_path, caplog, "tls_ca does not vouch for the certificate of the broker at 127.0.0.1")

    mill = load_mill(tmp_path / "mill" / "mill.toml")
    with pytest.raises(NoBroker, match="tls_ca does not vouch"), Publisher(mill.broker):
        pass


def test_a_wrong_password_is_said_without_it(
    broker: Secured, tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BREAKHORN_TEST_PASSWORD", "wrong-7s3Q")
    lines = broker.lines("breakhorn", password_file="", password_env="BREAKHORN_TEST_PASSWORD")

    trouble(lines, broker, tmp_path, caplog, "look at username and password ([broker])")

    assert "wrong-7s3Q" not in caplog.text
    mill = load_mill(tmp_path / "mill" / "mill.toml")
    with pytest.raises(NoBroker, match="look at username and password"), Publisher(mill.broker):
        pass


def test_a_broker_that_wants_a_certificate_and_gets_none_is_understood(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with secured(tmp_path / "broker", ("#require_certificate", "require_certificate")) as broker:
        lines = broker.lines("breakhorn")
        trouble(lines, broker, tmp_path, caplog, "does it ask for a certificate of ours?")


def test_the_password_is_told_nowhere(broker: Secured, tmp_path: Path) -> None:
    """Not by the command at its most talkative, not by the broker's settings, not in any file of the store."""
    mill = mill_at(tmp_path / "mill", broker.port, broker=broker.lines("breakhorn"))
    path = tmp_path / "mill" / "mill.toml"
    command = [sys.executable, "-m", "breakhorn", "--mill", str(path)]

    with (
        listening(broker.as_user("watch", tmp_path), "ellerholm/collector/#") as heard,
        subprocess.Popen(
            [*command, "collect", "--log-level", "debug"], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        ) as running,
    ):
        topic, health = heard.get(timeout=30)
        running.send_signal(signal.SIGTERM)
        log, _ = running.communicate(timeout=60)
    checked = subprocess.run([*command, "check", "--json"], cwd=ROOT, capture_output=True, timeout=60, check=True)

    told = [log, health, checked.stdout, checked.stderr, repr(mill).encode(), repr(mill.broker).encode()]
    told += [file.read_bytes() for file in mill.store.folder.rglob("*") if file.is_file()]
    assert topic == "ellerholm/collector/health"
    assert b"connected to" in log
    assert not [text for text in told if secret("breakhorn").encode() in text]


def test_a_password_file_that_all_may_read_is_warned_of(
    broker: Secured, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    mill = mill_at(tmp_path / "mill", broker.port, broker=broker.lines("breakhorn"))
    file = broker.folder / "breakhorn.password"
    before = [finding for finding in examine(tmp_path / "mill" / "mill.toml") if "chmod 600" in str(finding)]
    file.chmod(0o644)

    (found,) = [finding for finding in examine(tmp_path / "mill" / "mill.toml") if "chmod 600" in str(finding)]
    with collecting(mill) as running:
        until_connected(running)

    assert before == []
    assert (found.fault.key, found.fatal) == ("broker.password_file", False)
    assert f"{file} can be read by every user of this computer" in caplog.text


def test_a_password_file_that_is_taken_away_is_waited_for(
    broker: Secured, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    mill = mill_at(tmp_path / "mill", broker.port, broker=broker.lines("breakhorn") + "\nkeepalive_s = 1")
    file = broker.folder / "breakhorn.password"

    with collecting(mill) as running:
        until_connected(running)
        kept = file.read_text()
        file.unlink()
        other = link.build(
            mill.broker.model_copy(update={"username": None, "password_file": None}),
            client_id=mill.broker.client_id,
            version=MQTTProtocolVersion.MQTTv5,
        )
        other.username_pw_set("breakhorn", secret("breakhorn"))
        link.connect(other, mill.broker)  # takes the session over, so that the collector must connect anew
        other.loop_start()
        wait_until(lambda: "broker.password" in caplog.text or "No such file" in caplog.text, what="the message")
        other.disconnect()
        other.loop_stop()
        file.write_text(kept)
        until_connected(running)


@pytest.mark.parametrize(
    ("key", "content", "words"),
    [
        ("tls_ca", None, "No such file or directory ([broker] tls_ca)"),
        ("tls_ca", "nonsense", "tls_ca ([broker]) are not what they should be"),
        ("tls_key", None, "No such file or directory ([broker] tls_key)"),
        ("tls_key", "nonsense", "tls_ca and tls_cert and tls_key ([broker]) are not what they should be"),
    ],
)
def test_certificates_that_cannot_be_used_are_named_before_anything_is_tried(
    key: str, content: str | None, words: str, tmp_path: Path
) -> None:
    authority = Authority.made(tmp_path / "certs")
    certificate, _ = authority.vouch("breakhorn")
    file = tmp_path / "file.pem"
    if content is not None:
        file.write_text(content)
    files = {"tls_ca": authority.certificate, "tls_cert": certificate, "tls_key": file} | {key: file}
    used = files if key == "tls_key" else {"tls_ca": file}
    mill = mill_at(tmp_path / "mill", 9, broker="\n".join(f'{name} = "{path}"' for name, path in used.items()))

    with pytest.raises(link.NoCertificate) as raised:
        Subscriber(mill.broker, ("#",), client_id="x").start()

    assert words in str(raised.value)


def test_files_of_the_store_have_the_rights_that_the_service_gives(tmp_path: Path) -> None:
    mill = mill_at(tmp_path, free_port())
    command = [sys.executable, "-m", "breakhorn", "--mill", str(tmp_path / "mill.toml"), "collect"]

    with subprocess.Popen(command, cwd=ROOT, umask=0o027, stderr=subprocess.DEVNULL) as running:
        wait_until((mill.store.folder / "published.duckdb").exists, what="the first publish")
        running.send_signal(signal.SIGTERM)
        assert running.wait(60) == 0

    files = [mill.store.folder, *mill.store.folder.rglob("*")]
    assert len(files) > 3
    assert [file for file in files if file.stat().st_mode & 0o027] == []


@contextmanager
def killed_afterwards(text: str, folder: Path, port: int) -> Iterator[None]:
    """Mosquitto, which gets no chance to save anything at its end."""
    with mosquitto_with(text, folder, port=port) as server:
        yield
        server.kill()
        server.wait(30)


def test_a_broker_that_is_killed_loses_what_it_had_not_saved_and_no_more(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """As shipped, but for the second in the place of ten between two saves."""
    caplog.set_level(logging.INFO)
    port, folder = free_port(), tmp_path / "mosquitto"
    folder.mkdir()
    text = (SHIPPED / "mosquitto.conf").read_text().split("# ---", maxsplit=2)[2]
    text = text.replace("/var/lib/mosquitto/", f"{folder}/").replace("autosave_interval 10", "autosave_interval 1")
    text = f"listener {port} 127.0.0.1\nallow_anonymous true\n#{text}"
    mill, saved = mill_at(tmp_path / "mill", port), folder / "mosquitto.db"

    with killed_afterwards(text, folder, port):
        with collecting(mill) as first:
            until_connected(first)
        with Publisher(mill.broker) as publisher:
            for message in scans(0, 50):
                publisher.send(message)
        size = saved.stat().st_size if saved.exists() else 0
        wait_until(lambda: saved.exists() and saved.stat().st_size > size + 50 * 40, what="the next save")
        with Publisher(mill.broker) as publisher:
            for message in scans(50, 50):
                publisher.send(message)
    with mosquitto_with(text, folder, port=port), collecting(mill) as running:
        until_connected(running)
        with Publisher(mill.broker) as publisher:
            for message in scans(100, 10):
                publisher.send(message)
        wait_until(lambda: running.counts.messages >= 60, what="what was saved, and what is new")

    values = sorted(float(str(row[3])) for row in rows(mill)["sample"])
    assert values[:50] == list(range(50))
    assert values[-10:] == list(range(100, 110))
    assert "going on with the session the broker kept" in caplog.text
