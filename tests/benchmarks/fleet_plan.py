"""What 500 machines × 2,000 tags × 1 Hz take: measures one collector and one lake here, and says the rest by sums.

    python -m tests.benchmarks.fleet_plan            some ten minutes
    python -m tests.benchmarks.fleet_plan --quick    a smoke test

Everything under "measured" was measured in this run; everything under "extrapolated" is a formula over it. Values are
synthetic: a wave with noise at two decimals, so real instruments may take more or less room. Shares of a processor hold
better than times by the clock on a shared machine.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import duckdb

from collector.lake import Copying, copy_round, make_lake
from collector.message import Message
from collector.mqtt.broker import free_port
from collector.mqtt.replay import Publisher
from collector.publish import publish
from collector.settings import load_mill
from tests.benchmarks.commit_delay import commit_meanwhile, open_store
from tests.benchmarks.fleet_lake import HEAD, Asked, ask, write_lake
from tests.fleet import SITES, write_mill
from tests.servers import mosquitto_with, wait_until

MACHINES, TAGS, RATE_HZ = 500, 2_000, 1.0
YEAR_S = 365.25 * 86_400
FULL_AT = 0.5
"""Share of a core that a collector is planned with: the rest catches up after an outage and merges days."""

DETECTORS = ("couch", "press", "predryer", "sizepress", "afterdryer", "calender", "reel")


@dataclass(frozen=True, slots=True, kw_only=True)
class Live:
    """One collector at work.

    collector_share, broker_share
        Of one core.
    payload_bytes
        Of a message: a machine's whole scan.
    """

    machines: int
    tags: int
    scans: int
    seconds: float
    committed: int
    collector_share: float
    broker_share: float
    resident_mb: float
    payload_bytes: int

    @property
    def samples_s(self) -> float:
        """Samples offered a second, as the publisher kept its pace."""
        return self.machines * self.tags * self.scans / self.seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Archive:
    """A day of samples in the store and in the lake."""

    samples: int
    part_bytes: float
    lake_bytes: float
    copy_cpu_us: float


def live(folder: Path, *, machines: int, tags: int, seconds: int) -> Live:
    """Publish each machine's scan once a second to a broker, and watch the collector and the broker."""
    port = free_port()
    names = [f"pm{number}" for number in range(1, machines + 1)]
    path = write_mill(folder, SITES[0], names, folder / "lake", writer="plan")
    text = path.read_text().replace("port = 1883", f"port = {port}")
    path.write_text(text.replace("[store]", f"[store]\ntags_at_most = {machines * (tags + 8)}"))
    configuration = f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_inflight_messages 1000\n"
    with mosquitto_with(configuration, folder / "broker", port=port) as broker, _collecting(path) as collector:
        mill = load_mill(path)
        with Publisher(mill.broker) as publisher:
            _send(publisher, names, tags, 2)
            before = _cpu_s(collector.pid), _cpu_s(broker.pid), time.monotonic()
            size = _send(publisher, names, tags, seconds, first=2)
            after = _cpu_s(collector.pid), _cpu_s(broker.pid), time.monotonic()
        took_s = after[2] - before[2]
        resident_mb = _resident_mb(collector.pid)
    with duckdb.connect(mill.store.folder / "published.duckdb", read_only=True) as store:
        (committed,) = store.execute("SELECT count(*) FROM sample").fetchone() or (0,)
    return Live(
        machines=machines,
        tags=tags,
        scans=seconds,
        seconds=took_s,
        committed=committed,
        collector_share=(after[0] - before[0]) / took_s,
        broker_share=(after[1] - before[1]) / took_s,
        resident_mb=resident_mb,
        payload_bytes=size,
    )


@contextmanager
def _collecting(mill: Path) -> Iterator[subprocess.Popen[bytes]]:
    command = [sys.executable, "-m", "breakhorn", "--mill", str(mill), "collect"]
    with (mill.parent / "log").open("wb") as log:
        process = subprocess.Popen(command, stderr=log, cwd=Path(__file__).parent.parent.parent)
    try:
        wait_until(lambda: b"connected" in (mill.parent / "log").read_bytes(), seconds=60, what="the connection")
        yield process
    finally:
        process.terminate()
        process.wait(120)


def _send(publisher: Publisher, machines: list[str], tags: int, seconds: int, *, first: int = 0) -> int:
    """A scan of every machine each second, by the clock; gives the size of one. [bytes]"""
    began, size = time.monotonic(), 0
    for second in range(first, first + seconds):
        for place, machine in enumerate(machines):
            now_ms = time.time_ns() // 1_000_000
            values: dict[str, float | bool] = {f"sheet.{name}": True for name in DETECTORS}
            values |= {"reel.speed": 800.0, "wire.stock_on": True}
            values |= {
                f"process.tag{tag:04}": round(100 + 10 * math.sin((second + tag + place) / 90), 2)
                for tag in range(tags - len(values))
            }
            payload = json.dumps({"ts": now_ms, "values": values}).encode()
            publisher.send(Message(received_ms=now_ms, topic=f"ellerholm/{machine}/scan", payload=payload))
            size = len(payload)
        time.sleep(max(0.0, began + (second - first + 1) / RATE_HZ - time.monotonic()))
    return size


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _resident_mb(pid: int) -> float:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1000
    return 0.0


def archive(folder: Path, samples: int) -> Archive:
    """Sizes of a closed day of 500 tags, and what copying it to the lake takes."""
    folder.mkdir()
    store, _, _, _ = open_store(folder, samples, loose=1)
    path = folder / "mill.toml"
    path.write_text(path.read_text().replace("[store]", '[lake]\nfolder = "lake"\n\n[store]'))
    mill, later_ms = load_mill(path), 1_775_000_000_000
    assert mill.lake is not None
    make_lake(mill.lake.folder)
    _as_waves(store.connection, store.folder / "parts")
    publish(store, mill, now_ms=later_ms, tidy=False)
    store.close()
    began = time.process_time()
    copy_round(mill, now_ms=later_ms)
    cpu_s = time.process_time() - began
    parts = sum(path.stat().st_size for path in (store.folder / "parts").glob("value-*"))
    there = sum(path.stat().st_size for path in mill.lake.folder.glob("sample/**/*.parquet"))
    return Archive(
        samples=samples,
        part_bytes=parts / samples,
        lake_bytes=there / samples,
        copy_cpu_us=cpu_s / samples * 1e6,
    )


def _as_waves(connection: duckdb.DuckDBPyConnection, parts: Path) -> None:
    """The same part with values that move as process values do, rather than at random."""
    (part,) = parts.glob("value-*.parquet")
    waved = part.with_suffix(".waved")
    connection.execute(
        f"COPY (SELECT tag_id, sampled_at, round(100 + 10 * sin(epoch(sampled_at) / 900 + tag_id) + random() * 0.5, 2) "
        f"AS value, flags FROM '{part}' ORDER BY tag_id, sampled_at) TO '{waved}' "
        "(FORMAT parquet, PARQUET_VERSION v2, COMPRESSION zstd, ROW_GROUP_SIZE 40_960)"
    )
    waved.replace(part)


def commit_delays(folder: Path, samples: int) -> dict[str, list[float]]:
    """How late commits are without a lake, and while a day is copied to one. [s]"""
    found = {}
    for name in ("no lake", "copying to the lake beside the commits"):
        folder_of = folder / name.replace(" ", "-")
        folder_of.mkdir(parents=True)
        store, writer, publishing, _ = open_store(folder_of, samples, loose=1)
        path = folder_of / "mill.toml"
        path.write_text(path.read_text().replace("[store]", '[lake]\nfolder = "lake"\n\n[store]'))
        mill = load_mill(path)
        assert mill.lake is not None
        make_lake(mill.lake.folder)
        publish(store, mill, now_ms=1_775_000_000_000, tidy=False)
        copying = Copying(mill)
        if name != "no lake":
            copying.turn(now_ms=1_775_000_000_000)
        found[name] = commit_meanwhile(store, writer, _nothing, partial(_is_idle, copying))
        copying.stop()
        publishing.stop()
        store.close()
    return found


def _nothing(count: int) -> None:
    """What is done between two commits."""


def _is_idle(copying: Copying) -> bool:
    return copying.idle


def say_measured(one: Live, day: Archive, delays: dict[str, list[float]], asked: list[Asked]) -> None:
    """Print what was measured."""
    offered = one.machines * one.tags * (one.scans + 2)
    _say("measured here")
    _say(f"{one.machines} machines × {one.tags} tags × {RATE_HZ:g} Hz for {one.seconds:.0f} s, one collector:")
    _say("samples committed, offered", f"{one.committed:,} of {offered:,}")
    _say("collector, share of a core", f"{one.collector_share:.3f}")
    _say("collector, CPU a sample", f"{1e6 * one.collector_share / one.samples_s:.2f} µs")
    _say("broker, share of a core", f"{one.broker_share:.3f}")
    _say("collector, resident at most", f"{one.resident_mb:.0f} MB")
    _say("a message", f"{one.payload_bytes:,} bytes, {one.payload_bytes / one.tags:.1f} a sample")
    _say(f"a closed day of {day.samples:,} samples:")
    _say("in the store, in the lake", f"{day.part_bytes:.2f}, {day.lake_bytes:.2f} bytes a sample")
    _say("copying it to the lake, CPU", f"{day.copy_cpu_us:.2f} µs a sample")
    for name, late in delays.items():
        ordered = sorted(late)
        median, longest = ordered[len(late) // 2], ordered[-1]
        _say(f"commits late, {name}", f"median {median:.3f} s, longest {longest:.3f} s of {len(late)}")
    print(HEAD, *map(str, asked), sep="\n")


def say_extrapolated(one: Live, day: Archive, asked: list[Asked]) -> None:
    """Print what follows for the whole fleet, each line with its formula."""
    samples_s, cpu_s = MACHINES * TAGS * RATE_HZ, one.collector_share / one.samples_s
    fit = max(1, min(one.machines, int(FULL_AT / (cpu_s * TAGS * RATE_HZ))))
    collectors = math.ceil(MACHINES / fit)
    day_s = fit * TAGS * RATE_HZ * 86_400
    bytes_s = samples_s * one.payload_bytes / one.tags
    year_tb = samples_s * YEAR_S * day.lake_bytes / 1e12
    opening = next(figure for figure in asked if figure.name == "open")
    files = MACHINES * 365
    opening_s = files / opening.files * opening.cpu_s
    _say(f"extrapolated to {MACHINES} machines × {TAGS:,} tags × {RATE_HZ:g} Hz")
    _say("samples a second", f"machines · tags · Hz = {samples_s:,.0f}")
    _say("messages a second", f"machines · Hz = {MACHINES * RATE_HZ:,.0f}: a machine's whole scan in one")
    _say("to the brokers", f"samples/s · bytes in a message = {bytes_s / 1e6:,.0f} MB/s; as much to the collectors")
    _say("cores of all collectors", f"samples/s · CPU a sample = {samples_s * cpu_s:.1f}")
    _say("machines a collector", f"no more than ran here, nor {FULL_AT:g} core = {fit}: {collectors} collectors")
    _say("a collector's day", f"its machines · tags · Hz · 86,400 s = {day_s:,.0f} samples to be merged and copied")
    _say("memory", f"collectors · resident = {collectors * one.resident_mb / 1000:.0f} GB")
    _say("samples a year", f"samples/s · {YEAR_S:,.0f} s = {samples_s * YEAR_S:.2e}")
    _say("lake a year, whole", f"samples · bytes = {year_tb:,.0f} TB")
    _say("lake a year, thinned", f"the same with a mean a minute = {year_tb / 60 / RATE_HZ:,.1f} TB")
    _say("cores copying to the lake", f"samples/s · CPU a sample = {samples_s * day.copy_cpu_us / 1e6:.1f}")
    _say("files of samples a year", f"machines · 365 = {files:,}")
    _say("opening a year whole", f"files / {opening.files:,} · {opening.cpu_s:.2f} s = {opening_s:.0f} s of a core")


def _say(what: str, figure: str | None = None) -> None:
    print(what if figure is None else f"  {what:58} {figure}")


def main() -> None:
    """Measure, then say what follows."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        one = live(folder / "live", machines=2 if quick else 20, tags=50 if quick else TAGS, seconds=3 if quick else 60)
        day = archive(folder / "archive", 500_000 if quick else 43_200_000)
        delays = commit_delays(folder / "delays", 500_000 if quick else 8_640_000)
        lake = write_lake(
            folder / "lake", machines=4 if quick else 50, days=3 if quick else 30, rows=5_000 if quick else 144_000
        )
        asked = ask(lake)
    say_measured(one, day, delays, asked)
    say_extrapolated(one, day, asked)


if __name__ == "__main__":
    main()
