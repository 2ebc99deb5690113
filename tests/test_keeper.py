"""What is done with deliveries while the store cannot take them, and after the database has died."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import cast

import duckdb
import pytest

from collector.message import Message
from collector.mqtt import link
from collector.mqtt.subscriber import Delivery
from collector.publish.tidied import FOLDER
from collector.service.keeper import Keeper
from collector.settings import Mill
from collector.settings.model.service import LakeSettings
from collector.store import Store, StoreDead, StoreFull
from tests.mills import readable_mill
from tests.servers import wait_until
from tests.stored import NOW_MS, T0, opened, rows, samples


class FrailStore(Store):
    """A store whose next transactions fail as told: ``full``, ``dead`` or ``dead, but durable``."""

    harms: list[str]

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """A transaction that fails in the way that is next."""
        harm = self.harms.pop(0) if self.harms else "none"
        if harm == "full":
            raise StoreFull("no space left: make room")
        if harm == "dead":
            raise StoreDead("opened again", full=False)
        with super().transaction() as connection:
            yield connection
        if harm == "dead, but durable":
            raise StoreDead("opened again", full=True)


@pytest.fixture
def mill() -> Mill:
    return readable_mill()


@pytest.fixture
def store(tmp_path: Path, mill: Mill) -> Iterator[FrailStore]:
    opened(tmp_path).close()
    FrailStore.harms = []
    frail = FrailStore.open(tmp_path / "store", mill, now_ms=NOW_MS)
    assert isinstance(frail, FrailStore)
    with frail:
        yield frail


def keeper(store: Store, mill: Mill) -> Keeper:
    return Keeper(mill, store, now_ms=lambda: NOW_MS)


def delivery(number: int, *, client: object = "first") -> Delivery:
    """The message of a number by a connection, under the packet id of its number."""
    payload = json.dumps({"ts": T0 + number * 1000, "values": {"reel.speed": float(number)}}).encode()
    return delivered(number, payload, client=client)


def delivered(number: int, payload: bytes, *, client: object = "first", topic: str = "ellerholm/pm2/scan") -> Delivery:
    """A payload as it came over a connection; any object will do for one."""
    message = Message(received_ms=T0 + number * 1000, topic=topic, payload=payload)
    return Delivery(message, number, cast("link.Client", client), True)


def speeds(store: Store) -> list[float]:
    return sorted(float(value) for value, _ in samples(store.connection).values() if not isinstance(value, str | None))


def counted(store: Store) -> int:
    return int(rows(store.connection, "SELECT coalesce(sum(messages), 0) FROM base.message_count")[0][0])


def test_what_could_not_be_committed_is_held_and_committed_later(store: FrailStore, mill: Mill) -> None:
    keeping = keeper(store, mill)
    store.harms = ["full", "full"]
    first = [delivery(1), delivery(2)]

    refused = keeping.keep(first)
    again = keeping.keep([])
    kept = keeping.keep([])

    assert refused is again is None
    assert kept is not None
    assert kept.deliveries == first
    assert speeds(store) == [1.0, 2.0]
    assert counted(store) == 2


def test_the_trouble_is_told_and_is_over_with_the_commit(store: FrailStore, mill: Mill) -> None:
    keeping = keeper(store, mill)
    store.harms = ["full"]

    keeping.keep([delivery(1)])
    told = keeping.trouble
    with pytest.raises(StoreFull):
        keeping.raise_trouble()
    keeping.keep([])

    assert told == "store full: no space left: make room"
    assert keeping.trouble is None
    keeping.raise_trouble()


@pytest.mark.parametrize("harm", ["dead", "dead, but durable"])
def test_a_batch_that_died_with_the_database_is_there_once(store: FrailStore, mill: Mill, harm: str) -> None:
    keeping = keeper(store, mill)
    keeping.keep([delivery(1)])
    store.harms = [harm]
    bad = delivered(3, b"{")

    assert keeping.keep([delivery(2), bad]) is None
    assert not store.is_open
    kept = keeping.keep([])

    assert kept is not None
    assert speeds(store) == [1.0, 2.0]
    assert counted(store) == 3
    assert rows(store.connection, "SELECT count(*) FROM base.rejected_message") == [(1,)]
    assert store.inconsistencies() == []


def test_a_note_that_was_durable_when_the_database_died_gets_its_answer(store: FrailStore, mill: Mill) -> None:
    keeping = keeper(store, mill)
    store.harms = ["dead, but durable"]
    note = {
        "note_id": "7f0c0f0e-2f3e-4c61-9a52-6c1f6f2f1a11",
        "downtime": "pm2-20200101T000000Z",
        "kind": "cause",
        "cause": "PR-FLT",
        "ts": "2026-03-01T02:00:00Z",
    }

    keeping.keep([delivered(1, json.dumps(note).encode(), topic="ellerholm/pm2/note")])
    kept = keeping.keep([])

    assert kept is not None
    assert [answer.accepted for answer in kept.done.receipts] == [True]
    assert rows(store.connection, "SELECT count(*) FROM base.note") == [(1,)]


@pytest.mark.parametrize("harm", ["full", "dead", "dead, but durable"])
def test_redelivery_by_a_new_connection_while_the_store_was_out_of_order(
    store: FrailStore, mill: Mill, harm: str
) -> None:
    keeping = keeper(store, mill)
    store.harms = [harm]

    keeping.keep([delivery(1), delivery(2)])
    keeping.keep([])
    # Behind what was held: one more of the old connection, and what the broker sends again over the new one.
    keeping.keep([delivery(3), *(delivery(number, client="second") for number in (1, 2, 3, 4))])

    assert keeping.counts.repeats == 3
    assert counted(store) == 4
    assert speeds(store) == [1.0, 2.0, 3.0, 4.0]


def test_a_database_that_dies_again_and_again_for_no_want_of_room_ends_the_run(store: FrailStore, mill: Mill) -> None:
    keeping = keeper(store, mill)
    # Opening the store again takes one transaction, the settings'.
    store.harms = ["dead", "none", "dead", "none", "dead"]

    assert keeping.keep([delivery(1)]) is None
    assert keeping.keep([]) is None
    with pytest.raises(StoreDead):
        keeping.keep([])


def test_a_database_that_dies_of_publishing_each_time_ends_the_run(store: FrailStore, mill: Mill) -> None:
    keeping = keeper(store, mill)
    keeping.keep([delivery(1)])
    for number in (2, 3):
        store.harms = ["dead"]
        keeping.publish()
        assert keeping.keep([delivery(number)]) is not None

    store.harms = ["dead"]
    with pytest.raises(StoreDead):
        keeping.publish()


def test_a_store_that_died_and_that_another_process_may_hold_by_now_is_left_alone(
    store: FrailStore, mill: Mill
) -> None:
    keeping = keeper(store, mill)
    store.harms = ["dead"]
    assert keeping.keep([delivery(1)]) is None
    under_way = store.folder / FOLDER / "half a day of another process"
    under_way.mkdir(parents=True)

    keeping.rest()

    assert under_way.exists()


def test_without_room_for_publishing_commits_go_on(store: FrailStore, mill: Mill) -> None:
    keeping = keeper(store, mill)
    keeping.keep([delivery(1)])
    store.harms = ["full"]

    keeping.publish()
    told = keeping.unpublished
    kept = keeping.keep([delivery(2)])
    keeping.publish()

    assert told is not None
    assert kept is not None
    assert keeping.trouble is None
    assert keeping.unpublished is None


def test_a_lake_that_is_not_there_keeps_nobody_from_committing_and_publishing(
    store: FrailStore, mill: Mill, tmp_path: Path
) -> None:
    mill = mill.model_copy(
        update={
            "store": mill.store.model_copy(update={"folder": store.folder}),
            "lake": LakeSettings(folder=tmp_path / "unmounted", writer="one"),
        }
    )
    keeping = keeper(store, mill)

    keeping.publish()
    kept = keeping.keep([delivery(1)])
    wait_until(lambda: keeping.lake is not None and keeping.lake.trouble, what="the word of the lake")
    keeping.publish()
    keeping.rest()

    assert kept is not None
    assert keeping.trouble is None
    assert keeping.unpublished is None
    assert keeping.lake is not None
    assert "is no lake: mount it" in (keeping.lake.trouble or "")


def test_a_database_that_dies_while_publishing_is_opened_again(store: FrailStore, mill: Mill) -> None:
    keeping = keeper(store, mill)
    keeping.keep([delivery(1)])
    store.harms = ["dead"]

    keeping.publish()
    kept = keeping.keep([delivery(2)])

    assert kept is not None
    assert keeping.trouble is None
    assert speeds(store) == [1.0, 2.0]
