"""A fleet for tests: mills with clocks and currencies of their own, simulated, loaded and copied to one lake.

python -m tests.fleet /tmp/lake --mills 3 --machines 3 --days 21        the large proof, by hand
"""

from __future__ import annotations

import argparse
import heapq
import json
import re
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.lake import copy_round, make_lake
from collector.lake.handover import take_over
from collector.load import load
from collector.message import Message
from collector.publish import publish
from collector.settings import Mill, load_mill
from collector.store import Store
from replay_data.simulator.scenario import random_scenario, scenario_mill_toml, simulate_scenario


@dataclass(frozen=True)
class Site:
    """A mill of the fleet; its data begin at a local midnight some hours before its clocks are changed."""

    name: str
    zone: str
    currency: str
    first_day: str


SITES = (
    Site("Ellerholm", "Europe/Helsinki", "EUR", "2026-03-28"),
    Site("Ellerholm West", "America/Chicago", "USD", "2026-10-31"),
    Site("Ellerholm / South", "Australia/Adelaide", "AUD", "2026-04-04"),
)
"""Clocks go forward on 29 March 2026 in Helsinki, back on 1 November in Chicago and on 5 April in Adelaide (tzdata)."""


def write_mill(folder: Path, site: Site, machines: list[str], lake: Path, *, writer: str) -> Path:
    """The mill.toml of a collector that keeps some machines of a site."""
    text = scenario_mill_toml(random_scenario(1, days=1))
    text = text.replace('name = "Ellerholm"', f'name = "{site.name}"', 1)
    text = text.replace("Europe/Helsinki", site.zone).replace('currency = "EUR"', f'currency = "{site.currency}"')
    text = text.replace("[store]", f'[lake]\nfolder = "{lake}"\nwriter = "{writer}"\n\n[store]', 1)
    begin = text.index("[[machine]]")
    end = re.search(r"^\[(?!\[?machine)|^\[\[(?!machine)", text[begin:], re.MULTILINE)
    stop = len(text) if end is None else begin + end.start()
    one = text[begin:stop]
    every = "".join(one.replace('id = "pm2"', f'id = "{machine}"') for machine in machines)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "mill.toml"
    path.write_text(text[:begin] + every + text[stop:], encoding="utf-8")
    return path


def messages(site: Site, machine: str, *, days: int, seed: int) -> Iterator[Message]:
    """What a machine sends: a drawn scenario, begun at the site's first day."""
    zone = ZoneInfo(site.zone)
    start_ms = round(datetime.fromisoformat(site.first_day).replace(tzinfo=zone).timestamp() * 1000)
    scenario = random_scenario(seed, days=days)
    scenario = replace(scenario, start_ms=start_ms, breaks_per_day=6.0)
    for day in simulate_scenario(scenario):
        for received_ms, topic, payload in day.messages:
            yield Message(
                received_ms=received_ms,
                topic=topic.replace("/pm2/", f"/{machine}/"),
                payload=payload.replace(b'"pm2-', f'"{machine}-'.encode()),
            )


def with_troubles(stream: Iterator[Message], machine: str, *, each: int = 60) -> Iterator[Message]:
    """The same with a photo-eye that blinks for a second now and then, and a speed that comes ten minutes late."""
    for number, message in enumerate(stream, start=1):
        yield message
        if number % each == 0:
            for after_ms, values in ((1, {"sheet.press": False}), (1001, {"sheet.press": True})):
                yield _scan(machine, message.received_ms + after_ms, message.received_ms + after_ms, values)
            yield _scan(machine, message.received_ms - 600_000, message.received_ms + 1002, {"reel.speed": 812.5})


def _scan(machine: str, at_ms: int, received_ms: int, values: Mapping[str, float]) -> Message:
    payload = json.dumps({"ts": at_ms, "values": values}).encode()
    return Message(received_ms=received_ms, topic=f"ellerholm/{machine}/scan", payload=payload)


def collect(path: Path, streams: list[Iterable[Message]], *, take: str | None = None) -> Mill:
    """Load streams in order of receipt, publish, and copy to the lake: what ``breakhorn load`` does.

    take
        A machine that has moved here: from its first data on it is taken over.
    """
    mill = load_mill(path)
    store = Store.open(mill.store.folder, mill, now_ms=NOW_MS)
    try:
        store.begin_run(NOW_MS, "test")
        counts = load(mill, store, heapq.merge(*streams, key=lambda message: message.received_ms))
        store.end_run(NOW_MS, True, counts.as_dict())
        publish(store, mill, now_ms=NOW_MS)
    finally:
        store.close()
    if take is not None:
        take_over(mill, take, from_at=None, now_ms=NOW_MS)
    done = copy_round(mill, now_ms=NOW_MS)
    assert done.troubles == [], done.troubles
    return mill


NOW_MS = round(datetime.fromisoformat("2027-01-01T00:00:00+00:00").timestamp() * 1000)


def make_fleet(folder: Path, *, mills: int, machines: int, days: int) -> Path:
    """A lake of so many mills, the first with so many machines, each other one with one less; gives its folder.

    The first mill's last machine moves to another collector half way.
    """
    lake = folder / "lake"
    make_lake(lake)
    for number, site in enumerate(SITES[:mills]):
        names = [f"pm{one}" for one in range(1, max(1, machines - number) + 1)]
        path = write_mill(folder / f"mill{number}", site, names, lake, writer=f"collector-{number}")
        streams: list[Iterable[Message]] = [
            with_troubles(messages(site, name, days=days, seed=10 * number + place), name)
            for place, name in enumerate(names, start=1)
        ]
        if number == 0:
            everything = list(streams.pop())
            half = len(everything) * 3 // 5
            collect(path, [*streams, everything[:half]])
            moved = write_mill(folder / "moved", site, names[-1:], lake, writer="collector-new")
            collect(moved, [everything[half:]], take=names[-1])
        else:
            collect(path, streams)
        print(f"{site.name}: {', '.join(names)}", file=sys.stderr)
    return lake


def main() -> None:
    """Make the fleet that was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--mills", type=int, default=3)
    parser.add_argument("--machines", type=int, default=3)
    parser.add_argument("--days", type=int, default=21)
    asked = parser.parse_args()
    print(make_fleet(asked.folder, mills=asked.mills, machines=asked.machines, days=asked.days))


if __name__ == "__main__":
    main()
