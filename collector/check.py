"""What ``breakhorn check`` says of a mill.toml: every fault at once, and what it has left out."""

from __future__ import annotations

import stat
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from collector.mqtt.link import may_be_read_by_all
from collector.settings import Broker, Machine, Mill, MillFault, MillFaults, Page, load_mill
from collector.settings.faults import in_order
from collector.settings.load import located
from collector.settings.locate import KeyPath

Notice = tuple[KeyPath, str]

_LOOPBACK = ("127.0.0.1", "localhost", "::1")

_WITHOUT_SIGNAL = {
    "stock_on": "stops for want of stock cannot be told from breaks, and broke cannot be counted",
    "planned": "a sheet taken off on purpose counts as a break until the crew says otherwise",
    "grade": "no grade runs",
    "basis_weight": "no tonnes",
    "reel": "no reels, no turn-ups",
    "moisture": "moisture out of limits is not seen, and oven-dry broke needs reel_moisture_pct",
    "reel_witness": "a loss at the last detector alone cannot be confirmed and is marked unwitnessed",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that a check has to say.

    fatal
        True for a fault: the mill cannot be used. False for a warning: what the mill goes without.
    """

    fault: MillFault
    fatal: bool

    def __str__(self) -> str:
        """``mill.toml:12: broker.port: must be 1 or more``; a warning has the word in front of its key."""
        if self.fatal:
            return str(self.fault)
        return str(replace(self.fault, key=f"warning: {self.fault.key}"))

    def as_dict(self) -> dict[str, object]:
        """The same for programs: file, line, key, message, fatal."""
        return {**asdict(self.fault), "fatal": self.fatal}


def examine(path: Path) -> list[Finding]:
    """Every fault of a mill.toml in the order of its lines; if there is none, what is worth a second look."""
    try:
        mill = load_mill(path)
    except MillFaults as error:
        return [Finding(fault=fault, fatal=True) for fault in error.faults]
    notices = [
        *_broker(mill),
        *_page(mill),
        *_heartbeats(mill),
        *_machines(mill),
        *_sections(mill),
        *_towers(mill),
        *_left_out(mill),
    ]
    warnings = in_order(located(path.read_text(encoding="utf-8"), path, notices))
    return [Finding(fault=warning, fatal=False) for warning in warnings]


def _broker(mill: Mill) -> Iterator[Notice]:
    broker = mill.broker
    yield from _files("broker", broker, ("tls_ca", "tls_cert"), secret=("tls_key", "password_file"))
    has_password = broker.password_env is not None or broker.password_file is not None
    if has_password and broker.tls_ca is None and broker.host not in _LOOPBACK:
        yield ("broker", "username"), "without tls_ca the password crosses the network in the clear"


def _page(mill: Mill) -> Iterator[Notice]:
    secrets = ("tls_key", "token_file", "users_file", "broker_password_file")
    # A users file may still have to be begun.
    yield from _files("page", mill.page, ("tls_cert",), secret=secrets, may_be_missing=("users_file",))


def _files(
    table: str,
    settings: Broker | Page,
    plain: Sequence[str],
    *,
    secret: Sequence[str],
    may_be_missing: Sequence[str] = (),
) -> Iterator[Notice]:
    for key in (*plain, *secret):
        file: Path | None = getattr(settings, key)
        if file is None:
            continue
        try:
            is_there = stat.S_ISREG(file.stat().st_mode)
        except PermissionError:
            yield (table, key), f"this user may not see {file}: check again as the user that it is for"
            continue
        except (OSError, ValueError):  # a name may be one that no file can have
            is_there = False
        if not is_there and key not in may_be_missing:
            yield (table, key), f"there is no file {file} on this computer"
        elif is_there and key in secret and may_be_read_by_all(file):
            yield (table, key), f"{file} can be read by every user of this computer: chmod 600"


def _heartbeats(mill: Mill) -> Iterator[Notice]:
    """A source that may be silent for longer than a machine is found dead late; where no value is ever bad, never."""
    shortest = min(mill.machines, key=lambda machine: machine.stale_after_s)
    for index, heartbeat_s in mill.heartbeats_s.items():
        path: KeyPath = ("source", index, "heartbeat_s")
        if not shortest.stale_after_s:
            yield path, f"does nothing for {shortest.id}: with stale_after_s = 0 no value is ever bad"
        elif heartbeat_s > shortest.stale_after_s:
            late = f"the source is found dead only after {heartbeat_s + shortest.stale_after_s:g} s"
            yield path, f"is more than stale_after_s of {shortest.id} ({shortest.stale_after_s:g}): {late}"


def _machines(mill: Mill) -> Iterator[Notice]:
    for index, machine in enumerate(mill.machines):
        path: KeyPath = ("machine", index)
        for role, loss in _WITHOUT_SIGNAL.items():
            if getattr(machine.signals, role) is None:
                yield (*path, "signals", role), f"not given: {loss}"
        if len(machine.sheet_detectors) == 1:
            yield (*path, "sheet_detector"), "there is only one: every break will lie in its section"


def _sections(mill: Mill) -> Iterator[Notice]:
    """Sections that only one side knows: a heading of its own is fine, a forgotten detector or pit is not."""
    seen = {detector.section for machine in mill.machines for detector in machine.sheet_detectors}
    caught = {section for pit in mill.broke_pits for section in pit.sections}
    headings = {cause.section for cause in mill.causes if cause.section} - seen - caught - _tag_sections(mill.machines)
    if headings:
        yield ("cause",), f"no sheet detector stands for {_listed(headings)}: no break will be found there by itself"
    if caught - seen:
        yield ("broke_pit",), f"no sheet detector stands for {_listed(caught - seen)}"
    if mill.broke_pits and seen - caught:
        yield ("broke_pit",), f"no pit takes the sheet of {_listed(seen - caught)}"


def _tag_sections(machines: tuple[Machine, ...]) -> set[str]:
    return {tag.section for machine in machines for tag in machine.tags if tag.section}


def _towers(mill: Mill) -> Iterator[Notice]:
    """What a tower lacks for its balance."""
    for index, tower in enumerate(mill.broke_towers):
        for key in ("volume_m3", "consistency_pct", "level", "dosing"):
            if getattr(tower, key) is None:
                yield ("broke_tower", index, key), "not given: the balance of this tower stays not set"


def _left_out(mill: Mill) -> Iterator[Notice]:
    if not mill.causes:
        yield ("cause",), "none given: the crew cannot code breaks"
    if mill.shifts is None:
        yield ("shifts",), "not given: no figures by shift and crew"
    if not mill.grades:
        yield ("grade",), "none given: speed efficiency, off-spec and plan stay not set"
    for key in ("margin_per_t", "broke_cost_per_t"):
        if getattr(mill.money, key) is None:
            yield ("money", key), "not set: losses are not valued in money"


def _listed(words: set[str]) -> str:
    return ", ".join(f'"{word}"' for word in sorted(words))
