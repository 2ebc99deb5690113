"""The view of the present over a real socket and broker: at once, for all who look, and never the past as present."""

from __future__ import annotations

import asyncio
import json
import re
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from analysis.page.catalogue import words_of
from analysis.page.now.hub import Hub, Reader
from analysis.page.now.stream import EventStream
from collector.fact import State
from collector.message import Message
from collector.mqtt.broker import embedded_broker, free_port
from collector.mqtt.replay import Publisher
from collector.service import announce
from tests.analysis_store import Break, HandMadeStore, at
from tests.page import night_store, said, visited
from tests.page_server import Events, Served, page_of, reading, say
from tests.servers import wait_until
from tests.test_page_now_heard import health, of, opened, risk, state
from tests.test_service import mill_at
from tests.test_stopping import service

PM2 = "/machine/pm2/now"


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def with_broker(mill_toml: Path, port: int) -> Path:
    """The mill with its broker at another port."""
    mill_toml.write_text(re.sub(r"^port = \d+$", f"port = {port}", mill_toml.read_text(), flags=re.MULTILINE))
    return mill_toml


@pytest.fixture
def live(tmp_path: Path) -> Iterator[tuple[Served, int]]:
    """The page of two machines at a broker, where the collector has just said that all is well."""
    with embedded_broker() as port:
        mill = with_broker(night_store(tmp_path), port)
        for topic, payload in (health(now_ms()), state("on_reel", now_ms())):
            say(port, topic, payload)
        with page_of(mill) as served:
            wait_until(lambda: "Live from the collector" in served.get(PM2).text, what="the first word")
            yield served, port


def test_what_happens_is_at_every_open_page_at_once(live: tuple[Served, int]) -> None:
    served, port = live
    with reading(served, 3) as readers:
        assert all("on the reel" in reader.newest("pm2") for reader in readers)

        say(port, *state("down", now_ms()))
        wait_until(lambda: all("sheet lost" in reader.newest("pm2") for reader in readers), what="the loss")
        say(port, *opened(now_ms()))
        wait_until(lambda: all("break, press" in reader.newest("pm2") for reader in readers), what="the break")

    # Nothing was heard of the other machine, and nothing is made up.
    assert "has not said what this machine does" in readers[0].newest("pm3")
    assert "Live from the collector" not in readers[0].newest("pm3")


def test_one_who_comes_later_is_told_all_at_once(live: tuple[Served, int]) -> None:
    served, port = live
    say(port, *state("threading", now_ms()))
    wait_until(lambda: '"now-word">threading<' in served.get(PM2).text, what="the threading")

    with reading(served) as (reader,):
        first = reader.events[0][2]["machines"]

    assert set(first) == {"pm2", "pm3"}
    assert "threading" in first["pm2"][0]
    assert b"text/event-stream" in reader.head
    assert b"no-store" in reader.head
    assert b"script-src 'self'" in reader.head


def test_a_risk_is_shown_live_and_goes_when_the_sheet_is_lost(live: tuple[Served, int]) -> None:
    served, port = live
    with reading(served) as (reader,):
        say(port, *risk(now_ms()))
        wait_until(lambda: "within 30" in reader.newest("pm2"), what="the risk")
        assert "The draw is high." in reader.newest("pm2")
        assert "no input to any control" in reader.newest("pm2")
        assert "Worked out at " in reader.newest("pm2")

        say(port, *state("down", now_ms() + 1))
        wait_until(lambda: "within 30" not in reader.newest("pm2"), what="the end of the risk")


def test_a_collector_that_is_gone_is_said_at_once(live: tuple[Served, int]) -> None:
    served, port = live
    with reading(served) as (reader,):
        say(port, *announce.last_will("ellerholm"))

        wait_until(lambda: "gone without a word" in reader.newest("pm2"), what="the last will")
        assert "now-one past" in reader.newest("pm2")


def test_more_readers_than_there_can_be_screens_are_refused(
    live: tuple[Served, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    served, _ = live
    monkeypatch.setattr("analysis.page.now.hub.MOST_READERS", 1)
    with reading(served):
        refused = served.get("/now/stream")

        assert refused.status_code == 429
        assert refused.headers["retry-after"] == "60"


def test_those_of_one_address_keep_nobody_else_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.page.now.hub.MOST_OF_ONE", 2)

    async def look() -> list[bool]:
        hub = Hub(cast(Any, None), cast(Any, None), "mill")
        async with hub.reading("192.0.2.7"), hub.reading("192.0.2.7"):
            return [hub.takes_one_more(who) for who in ("192.0.2.7", "192.0.2.8")]

    assert asyncio.run(look()) == [False, True]


def test_the_page_ends_promptly_with_readers_at_it(live: tuple[Served, int]) -> None:
    served, _ = live
    with reading(served, 5) as readers:
        took_s = served.end()

        assert all(reader.ended.wait(10) for reader in readers)
    # The streams are let go at once; what is left is a second or two of the page's own.
    assert took_s < served.server.config.timeout_graceful_shutdown  # type: ignore[operator]  # it was set


def test_readers_come_back_to_a_page_that_was_started_again(tmp_path: Path) -> None:
    with embedded_broker() as port:
        mill, page_port = with_broker(night_store(tmp_path), port), free_port()
        for topic, payload in (health(now_ms()), state("on_reel", now_ms())):
            say(port, topic, payload)
        with page_of(mill, page_port) as served, reading(served) as (reader,):
            wait_until(lambda: "on the reel" in reader.newest("pm2"), what="the first word")
        assert reader.ended.wait(10)

        with page_of(mill, page_port) as served, reading(served) as (again,):
            wait_until(lambda: "Live from the collector" in again.newest("pm2"), what="the retained words")


def test_a_broker_that_goes_and_comes_back_is_followed(tmp_path: Path) -> None:
    port = free_port()
    mill = with_broker(night_store(tmp_path), port)
    with page_of(mill) as served, reading(served) as (reader,):
        assert "no connection to the broker" in reader.newest("pm2")
        with embedded_broker(port):
            say(port, *health(now_ms()))
            say(port, *state("on_reel", now_ms()))
            wait_until(lambda: "Live from the collector" in reader.newest("pm2"), what="the broker")

        wait_until(lambda: "no connection to the broker" in reader.newest("pm2"), what="the loss of the broker")


def test_without_scripts_the_view_says_the_same_and_renews_itself(tmp_path: Path) -> None:
    with visited(night_store(tmp_path)) as page:
        one, every = page.get(PM2), page.get("/now")

    assert "PM 2 not live: as at Wed 4 March 2026 06:05 on the reel" in said(one)
    assert '<noscript><meta http-equiv="refresh" content="10"></noscript>' in one.text
    assert "PM 3" in said(every)
    assert re.findall(r"<script(?![^>]*src=)|style=\"|\son\w+=", one.text) == []
    assert "Do not enter, reach into or thread the machine" in said(one)
    # The frame's own warnings would stand there for ever: this view is not painted again.
    assert "You can go on coding" not in said(one)


def test_the_machine_that_is_shown_is_marked_and_none_where_all_are(tmp_path: Path) -> None:
    with visited(night_store(tmp_path)) as page:
        one, every = page.get("/machine/pm3/now").text, page.get("/now").text

    assert re.findall(r'aria-current="true">([^<]+)', one) == ["PM 3"]
    assert re.findall(r'aria-current="true">([^<]+)', every) == []
    assert every.count('aria-current="page"') == 1  # the place is marked all the same


def test_who_comes_in_the_first_moment_is_answered_too(tmp_path: Path) -> None:
    with page_of(night_store(tmp_path)) as served:
        assert served.get("/now").status_code == 200


def test_a_machine_that_is_not_there_has_no_present(tmp_path: Path) -> None:
    with visited(night_store(tmp_path)) as page:
        assert page.get("/machine/pm9/now").status_code == 404


def test_the_present_speaks_the_language_of_who_looks(tmp_path: Path) -> None:
    with page_of(night_store(tmp_path)) as served:
        reader = Events(served.port, cookie="breakhorn_language=de")
        try:
            wait_until(lambda: reader.newest("pm2"), what="the first event")
            assert "auf dem Tambour" in reader.newest("pm2")
        finally:
            reader.close()


def test_what_others_wrote_is_shown_as_it_is(live: tuple[Served, int]) -> None:
    served, port = live
    evil = "<script>alert(1)</script>"
    with reading(served) as (reader,):
        say(port, *state("down", now_ms()))
        hostile = json.dumps({"downtime": "x", "kind": evil, "section": evil, "started_at": announce.instant(now_ms())})
        say(port, "ellerholm/pm2/runnability/break", hostile.encode())
        say(port, *of("risk", state="quiet", said_at=announce.instant(now_ms()), because=evil))

        wait_until(lambda: reader.newest("pm2").count("&lt;script&gt;") == 3, what="the words")
        assert "<script" not in reader.newest("pm2")


def test_an_open_break_of_the_store_has_its_attempts(tmp_path: Path) -> None:
    made = HandMadeStore(tmp_path)
    made.machine("2026-03-01 00:00", "2026-03-04 06:05")
    made.states(("2026-03-01 00:00", "on_reel"), ("2026-03-04 06:00", "down"), ("2026-03-04 06:03", "threading"))
    lost = Break("2026-03-04 06:00", None)
    made.breaks(*(Break(f"2026-03-03 {hour:02}:00", f"2026-03-03 {hour:02}:40") for hour in range(1, 12)), lost)
    for attempt, (began, ended) in enumerate((("06:01", "06:02"), ("06:03", None)), start=1):
        made.insert(
            "threading_attempt",
            downtime_id=lost.downtime_id,
            machine="pm2",
            attempt=attempt,
            started_at=at(f"2026-03-04 {began}"),
            ended_at=None if ended is None else at(f"2026-03-04 {ended}"),
            reached_section="pre-dryer",
        )
    mill = made.close(published="2026-03-04 06:05", data_to="2026-03-04 06:05")

    with visited(mill) as page:
        shown = said(page.get(PM2))

    assert "break, press" in shown
    assert "attempts 2 up to pre-dryer" in shown


def test_the_clock_of_an_open_break_stands_while_nothing_is_heard_of_the_machine(live: tuple[Served, int]) -> None:
    served, port = live
    with reading(served) as (reader,):
        say(port, *state("down", now_ms()))
        say(port, *opened(now_ms() - 65_000))
        wait_until(lambda: "break, press" in reader.newest("pm2"), what="the break")
        running = reader.newest("pm2").count("data-since")

        say(port, *state("no_data", now_ms()))
        wait_until(lambda: "nothing heard" in reader.newest("pm2"), what="the silence")

        assert running == 2  # that of the state, and that of the break
        assert reader.newest("pm2").count("data-since") == 1
        assert "When last heard, off the reel" in reader.newest("pm2")


def test_a_store_of_another_version_is_said_once_and_the_page_goes_on_when_it_is_renewed(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    mill = night_store(tmp_path)
    store = tmp_path / "kept" / "published.duckdb"
    sound = store.read_bytes()
    store.write_bytes(b"no database" * 1000)
    with visited(mill) as page:
        wait_until(lambda: "the view of the present" in caplog.text, what="the warning")
        early = page.get(PM2).status_code
        (tmp_path / "beside").write_bytes(sound)
        (tmp_path / "beside").rename(store)
        wait_until(lambda: page.get(PM2).status_code == 200, what="the picture")

    assert early == 503
    assert caplog.text.count("the view of the present") == 1


def test_a_machine_that_turns_up_is_on_the_wall_with_what_was_said_of_it_before(tmp_path: Path) -> None:
    (tmp_path / "renewed").mkdir()
    renewed = HandMadeStore(tmp_path / "renewed")
    for machine, name in (("pm2", "PM 2"), ("pm4", "PM 4")):
        renewed.machine("2026-03-01 00:00", "2026-03-04 06:05", machine=machine, name=name)
    renewed.close(published="2026-03-04 06:06", data_to="2026-03-04 06:05")
    with embedded_broker() as port:
        mill = with_broker(night_store(tmp_path), port)
        for topic, payload in (health(now_ms()), state("on_reel", now_ms())):
            say(port, topic, payload)
            say(port, topic.replace("/pm2/", "/pm4/"), payload)
        with page_of(mill) as served, reading(served) as (reader,):
            (tmp_path / "renewed" / "kept" / "published.duckdb").rename(tmp_path / "kept" / "published.duckdb")
            wait_until(lambda: "on the reel" in reader.newest("pm4"), what="the machine that turned up")

            assert "PM 4" in served.get("/now").text
            assert served.get("/machine/pm3/now").status_code == 404


class StillPicture(Hub):
    """A hub with one picture, for a stream to be looked at alone."""

    def __init__(self) -> None:
        self.picture = cast(Any, SimpleNamespace(number=1, machines={}))
        self.reader = Reader()
        self.looked = 0

    @asynccontextmanager
    async def reading(self, who: str = "") -> AsyncIterator[Reader]:
        self.looked += 1
        try:
            yield self.reader
        finally:
            self.looked -= 1

    def fragments(self, words: object) -> dict[str, tuple[str, str]]:
        return {"pm2": (f"picture {self.picture.number}", "")}


async def never() -> Any:
    await asyncio.Event().wait()


def test_a_reader_who_takes_nothing_is_let_go() -> None:
    hub = StillPicture()
    sent: list[Any] = []

    async def stuck(message: Any) -> None:
        sent.append(message)
        if len(sent) > 1:
            await never()

    async def stream() -> None:
        await EventStream(hub, words_of("en"), asyncio.Event(), slow_s=0.01)({"type": "http"}, never, stuck)

    asyncio.run(asyncio.wait_for(stream(), 20))

    assert len(sent) == 2
    assert hub.looked == 0


def test_a_slow_reader_misses_what_lay_between_and_never_what_is_newest() -> None:
    hub, texts, ending = StillPicture(), [], asyncio.Event()

    async def slow(message: Any) -> None:
        text = message.get("body", b"").decode()
        if "picture" in text:
            texts.append(text)
            if len(texts) == 1:
                for number in range(2, 101):
                    hub.picture = cast(Any, SimpleNamespace(number=number, machines={}))
                    hub.reader.woken.set()
                    await asyncio.sleep(0)
            else:
                ending.set()

    asyncio.run(asyncio.wait_for(EventStream(hub, words_of("en"), ending)({"type": "http"}, never, slow), 20))

    assert [re.findall(r"picture (\d+)", text) for text in texts] == [["1"], ["100"]]


def test_a_reader_who_goes_is_forgotten() -> None:
    hub = StillPicture()
    sent: list[Any] = []

    async def gone() -> Any:
        while len(sent) < 3:
            await asyncio.sleep(0)
        return {"type": "http.disconnect"}

    async def take(message: Any) -> None:
        sent.append(message)

    asyncio.run(asyncio.wait_for(EventStream(hub, words_of("en"), asyncio.Event())({"type": "http"}, gone, take), 20))

    assert hub.looked == 0
    assert all(message.get("more_body", True) for message in sent)


@pytest.mark.slow
def test_a_break_on_the_machine_is_on_the_wall_from_a_real_collector(tmp_path: Path) -> None:
    detectors = ("couch", "press", "predryer", "sizepress", "afterdryer", "calender", "reel")
    with embedded_broker() as port:
        mill = mill_at(tmp_path, port, publish_every_s=0.5)
        quick = (
            "\nreorder_s = 0.1\ndebounce_s = 0.1\nblind_margin_s = 0.1\ntrip_window_s = 0.5\non_reel_confirm_s = 1\n"
        )
        text = (tmp_path / "mill.toml").read_text()
        (tmp_path / "mill.toml").write_text(text.replace("\nrunning_above_m_min", f"{quick}running_above_m_min", 1))

        def scan(publisher: Publisher, sees: int) -> None:
            at_ms = now_ms()
            eyes = {f"sheet.{name}": number < sees for number, name in enumerate(detectors)}
            values = {"reel.speed": 780.0, "headbox.stock_on": True, **eyes}
            payload = json.dumps({"ts": at_ms, "values": values}).encode()
            publisher.send(Message(received_ms=at_ms, topic="ellerholm/pm2/scan", payload=payload))

        with service(tmp_path), Publisher(mill.broker) as publisher:
            wait_until((tmp_path / "store" / "published.duckdb").exists, what="the collector")
            with page_of(tmp_path / "mill.toml") as served, reading(served) as (reader,):

                def until(words: str, sees: int) -> None:
                    def shown() -> bool:
                        scan(publisher, sees)
                        return words in reader.newest("pm2")

                    wait_until(shown, what=words)

                until(words_of("en")(f"state.{State.ON_REEL}"), 7)
                until(words_of("en")(f"state.{State.DOWN}"), 1)
                until("break, press", 1)
                until(words_of("en")(f"state.{State.THREADING}"), 4)
                until(words_of("en")(f"state.{State.ON_REEL}"), 7)
