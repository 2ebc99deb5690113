"""The inbox is bounded in number and in bytes."""

from __future__ import annotations

import queue
import threading

import pytest

from collector.mqtt.inbox import Inbox
from tests.servers import wait_until


def test_what_comes_first_goes_first() -> None:
    inbox: Inbox[str] = Inbox(items=3, size=100)
    for item in "abc":
        inbox.put([item], 1, timeout=0)

    assert [inbox.get(timeout=0) for _ in range(3)] == [(["a"], 1), (["b"], 1), (["c"], 1)]
    assert inbox.qsize() == 0


def test_it_is_full_at_so_many_items() -> None:
    inbox: Inbox[str] = Inbox(items=2, size=100)
    inbox.put(["a"], 1, timeout=0)
    inbox.put(["b"], 1, timeout=0)

    with pytest.raises(queue.Full):
        inbox.put(["c"], 1, timeout=0)


def test_what_comes_together_counts_as_many_and_goes_together() -> None:
    inbox: Inbox[str] = Inbox(items=3, size=100)
    inbox.put(["a", "b"], 2, timeout=0)

    with pytest.raises(queue.Full):
        inbox.put(["c", "d"], 2, timeout=0)

    assert inbox.qsize() == 2
    assert inbox.get(timeout=0) == (["a", "b"], 2)


def test_it_is_full_at_so_many_bytes_and_takes_more_once_there_is_room() -> None:
    inbox: Inbox[str] = Inbox(items=10, size=100)
    inbox.put(["a"], 60, timeout=0)

    with pytest.raises(queue.Full):
        inbox.put(["b"], 41, timeout=0)
    inbox.get(timeout=0)
    inbox.put(["b"], 41, timeout=0)

    assert inbox.qsize() == 1


def test_one_item_that_is_too_large_passes_alone() -> None:
    inbox: Inbox[str] = Inbox(items=10, size=100)
    inbox.put(["large"], 1000, timeout=0)

    with pytest.raises(queue.Full):
        inbox.put(["a"], 1, timeout=0)

    assert inbox.get(timeout=0) == (["large"], 1000)


def test_nothing_comes_out_of_an_empty_one() -> None:
    with pytest.raises(queue.Empty):
        Inbox[str](items=1, size=1).get(timeout=0)


def test_whoever_waits_for_room_goes_on_when_there_is_some() -> None:
    inbox: Inbox[int] = Inbox(items=1, size=100)
    inbox.put([0], 1, timeout=0)
    waiting = threading.Thread(target=lambda: inbox.put([1], 1, timeout=10))
    waiting.start()

    first = inbox.get(timeout=0)
    wait_until(inbox.qsize, what="the second item")
    waiting.join()

    assert (first, inbox.get(timeout=0)) == (([0], 1), ([1], 1))
