"""The service's log: one event a line whatever comes, the same keys always, nothing secret, no flood."""

from __future__ import annotations

import json
import logging
import socket
from pathlib import Path

import pytest

from collector.batch import Batch
from collector.fact import Fault, FaultClosed, FaultOpened
from collector.logs import JsonLine, TextLine, about
from collector.service.journal import Journal
from collector.service.notify import notify
from tests.stored import MINUTE, T0, closing, opening, rejected

KEYS = ["at", "level", "source", "event", "machine", "event_at", "message", "data", "error"]


def record(message: str, **told: object) -> logging.LogRecord:
    made = logging.LogRecord("breakhorn.collector", logging.INFO, "", 0, message, (), None)
    made.created = T0 / 1000
    made.__dict__.update(told)
    return made


@pytest.fixture
def lines(caplog: pytest.LogCaptureFixture) -> pytest.LogCaptureFixture:
    caplog.set_level(logging.INFO, "breakhorn")
    return caplog


def as_json(lines: pytest.LogCaptureFixture) -> list[dict[str, object]]:
    return [json.loads(JsonLine().format(made)) for made in lines.records]


def test_a_line_of_text_begins_with_time_level_and_source() -> None:
    # T0 is 2026-03-01T02:00:00Z.
    assert TextLine().format(record("pm2: break")) == "2026-03-01T02:00:00.000Z info collector: pm2: break"


@pytest.mark.parametrize("nasty", ["a\nb", "a\r\nb", "a\x1b[31mb", "a\u2028b", "a\x00b", "a\x85b"])
def test_whatever_a_message_holds_it_is_one_line(nasty: str) -> None:
    text, line = TextLine().format(record(nasty)), JsonLine().format(record(nasty))

    assert len(text.splitlines()) == 1
    assert "\x1b" not in text
    assert "\n" not in line
    assert json.loads(line)["message"] == nasty


def test_every_json_line_has_the_same_keys_in_the_same_order() -> None:
    plain, told = record("x"), record("x", **about("started", machine="pm2", at_ms=T0, folder=Path("/srv")))

    assert [list(json.loads(JsonLine().format(one))) for one in (plain, told)] == [KEYS, KEYS]
    assert json.loads(JsonLine().format(told))["data"] == {"folder": "/srv"}


def test_an_error_is_told_in_its_own_line() -> None:
    made = record("it failed")
    made.exc_info = (ValueError, ValueError("no\nnumber"), None)

    assert TextLine().format(made).endswith(r"it failed (ValueError('no\nnumber'))")
    assert json.loads(JsonLine().format(made))["error"] == r"ValueError('no\nnumber')"


def test_loss_and_return_of_the_sheet_carry_machine_and_source_time(lines: pytest.LogCaptureFixture) -> None:
    Journal().tell(Batch(facts=[opening(T0), closing(T0, T0 + 9 * MINUTE)]), now_s=0)

    lost, back = as_json(lines)
    assert (lost["event"], lost["machine"], lost["event_at"]) == ("sheet lost", "pm2", "2026-03-01T02:00:00.000Z")
    assert (back["event"], back["machine"], back["event_at"]) == ("sheet back", "pm2", "2026-03-01T02:09:00.000Z")
    assert lost["message"] == "pm2: break at 2026-03-01T02:00:00.000Z, press"


def test_a_detectors_fault_is_a_warning_until_it_is_over(lines: pytest.LogCaptureFixture) -> None:
    told = {"machine": "pm2", "tag": "sheet.press"}

    Journal().tell(
        Batch(
            facts=[
                FaultOpened(**told, kind=Fault.BLIND, at_ms=T0),
                FaultClosed(**told, kind=Fault.BLIND, at_ms=T0 + MINUTE),
            ]
        ),
        now_s=0,
    )

    assert [(made["event"], made["level"]) for made in as_json(lines)] == [
        ("detector fault", "warning"),
        ("detector sound", "info"),
    ]


def test_one_reason_for_rejecting_is_told_once_a_minute_with_its_count(lines: pytest.LogCaptureFixture) -> None:
    journal = Journal()
    for second in range(120):
        journal.tell(Batch(rejected=[rejected(T0), rejected(T0)]), now_s=second)

    # Told at 0 s: 2. Told at 60 s: those of seconds 1 to 60, 120. The rest waits.
    assert [made["data"] for made in as_json(lines)] == [
        {"count": 2, "reason": "is no JSON"},
        {"count": 120, "reason": "is no JSON"},
    ]


def test_a_sender_that_finds_ever_new_reasons_does_not_fill_the_log(lines: pytest.LogCaptureFixture) -> None:
    journal = Journal()
    for number in range(5_000):
        journal.tell(Batch(rejected=[rejected(T0, reason=f"unknown machine {number}")]), now_s=number / 1000)

    assert len(lines.records) <= 21


def test_a_payload_is_never_told(lines: pytest.LogCaptureFixture) -> None:
    Journal().tell(Batch(rejected=[rejected(T0, payload=b"pulp-recipe-17")]), now_s=0)

    assert len(lines.records) == 1
    assert "pulp-recipe" not in JsonLine().format(lines.records[0])


@pytest.mark.parametrize("abstract", [False, True])
def test_systemd_is_told_at_the_socket_that_it_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, abstract: bool
) -> None:
    name = "@breakhorn-test-" + tmp_path.name if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(name.replace("@", "\0", 1) if abstract else name)
        monkeypatch.setenv("NOTIFY_SOCKET", name)

        assert notify("READY=1")

        assert listener.recv(100) == b"READY=1"


def test_where_nobody_wants_to_know_nothing_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not notify("READY=1")

    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    assert not notify("READY=1")
