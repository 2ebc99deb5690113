"""What a sample takes on disk once its day is closed, of the demo mill's tags."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import pytest

from collector.load import load
from collector.message import Message
from collector.publish import publish
from collector.settings import load_mill
from collector.store import Store
from replay_data.demo import write_mill
from replay_data.simulator import simulate

AT_MOST_BYTES = 1.5


@pytest.mark.slow
def test_a_sample_of_a_closed_day_takes_a_byte_and_a_half_at_most(tmp_path: Path) -> None:
    mill = load_mill(write_mill(tmp_path, 9))
    messages = [
        Message(received_ms=at_ms, topic=topic, payload=payload)
        for day in islice(simulate(days=3, seed=11), 3)
        for at_ms, topic, payload in day.messages
    ]

    with Store.open(mill.store.folder, mill, now_ms=0) as store:
        load(mill, store, messages)
        publish(store, mill, now_ms=1)
        closed = [part for part in store.parts() if part.day is not None]

    samples = sum(part.row_count for part in closed)
    assert samples > 400_000
    assert sum(part.bytes for part in closed) / samples <= AT_MOST_BYTES
