"""What one value of mill.toml says of another: names used twice, positions out of order, sources that overlap.

Works on the text's plain tables rather than on validated values, so that a mistake in one place hides none in another.
Anything of a wrong type is passed over: the model reports it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from ipaddress import ip_address
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from collector.settings.cross.machines import machine_faults
from collector.settings.cross.plain import (
    Finding,
    Table,
    list_of,
    number_of,
    table_of,
    tables_of,
    text_of,
    texts_of,
    topic_root_of,
    twice,
)
from collector.settings.cross.shifts import shift_faults
from collector.settings.cross.sources import overlap_faults, source_faults
from collector.settings.faults import did_you_mean

_MISSPELT = 0.8
"""A cause may stand under a heading of its own ("stock", "mechanical"); so near to a section it is a slip."""


def cross_faults(raw: Table) -> list[Finding]:
    """Every contradiction in the plain tables of a mill.toml, each with the path of the value that is wrong."""
    return [finding for check in _CHECKS for finding in check(raw)]


def sections_of(raw: Table) -> set[str]:
    """Every section that a sheet detector, a tag or a broke pit names."""
    owners = [
        table for _, machine in tables_of(raw, "machine") for key in ("sheet_detector", "tag")
        for _, table in tables_of(machine, key)
    ]  # fmt: skip
    named = {section for owner in owners if (section := text_of(owner, "section"))}
    return named | {word for _, pit in tables_of(raw, "broke_pit") for _, word in texts_of(pit, "sections")}


def _mill(raw: Table) -> Iterator[Finding]:
    mill = table_of(raw, "mill")
    zone = text_of(mill, "time_zone")
    if zone and not _is_zone(zone):
        hint = did_you_mean(zone, available_timezones()) or ': write an IANA name such as "Europe/Helsinki"'
        yield ("mill", "time_zone"), f'no such time zone "{zone}"{hint}'
    root = topic_root_of(raw)
    if root and (root.startswith("$") or any(character in root for character in "+#{}") or "" in root.split("/")):
        key = "topic_root" if text_of(mill, "topic_root") else "name"
        way_out = "" if key == "topic_root" else ': set topic_root, say to "mill"'
        yield ("mill", key), f'"{root}" cannot begin a topic{way_out}'


def _broker(raw: Table) -> Iterator[Finding]:
    broker = table_of(raw, "broker")
    yield from _certificate("broker", broker)
    if "tls_cert" in broker and "tls_ca" not in broker:
        yield ("broker", "tls_cert"), "needs tls_ca too"
    yield from _one_secret("broker", broker, "password")
    yield from _password("broker", broker, "")


def _page(raw: Table) -> Iterator[Finding]:
    page = table_of(raw, "page")
    yield from _certificate("page", page)
    yield from _one_secret("page", page, "token")
    yield from _one_secret("page", page, "broker_password")
    yield from _password("page", page, "broker_")
    guarded = page.keys() & {"users_file", "token_file", "token_env"}
    if page.get("trusted_proxies") and not guarded:
        yield ("page", "trusted_proxies"), "needs users_file or a token: through a proxy anybody could code breaks"
    if "host" in page and not _here(text_of(page, "host")) and not guarded:
        yield ("page", "host"), "others than this computer need users_file or a token: anybody could code breaks"


def _certificate(key: str, table: Table) -> Iterator[Finding]:
    for one, other in (("tls_cert", "tls_key"), ("tls_key", "tls_cert")):
        if one in table and other not in table:
            yield (key, one), f"needs {other} too"


def _one_secret(key: str, table: Table, kind: str) -> Iterator[Finding]:
    if f"{kind}_env" in table and f"{kind}_file" in table:
        yield (key, f"{kind}_file"), f"{kind}_env is set too: choose one"


def _password(key: str, table: Table, prefix: str) -> Iterator[Finding]:
    for one in (f"{prefix}password_env", f"{prefix}password_file"):
        if one in table and f"{prefix}username" not in table:
            yield (key, one), f"needs {prefix}username too"


def _here(host: str | None) -> bool:
    try:
        return host in (None, "localhost") or ip_address(host or "").is_loopback
    except ValueError:
        return False


def _causes(raw: Table) -> Iterator[Finding]:
    yield from twice(raw, "cause", "code")
    known = sections_of(raw)
    for index, cause in tables_of(raw, "cause"):
        section = text_of(cause, "section")
        if section and section not in known and (hint := did_you_mean(section, known, likeness=_MISSPELT)):
            yield ("cause", index, "section"), f'no sheet detector, tag or pit has the section "{section}"{hint}'


def _grades(raw: Table) -> Iterator[Finding]:
    yield from twice(raw, "grade", "name")
    for index, grade in tables_of(raw, "grade"):
        limits = [number_of(limit) for limit in list_of(grade, "moisture_pct")]
        match limits:
            case [float(low), float(high)] if low >= high:
                yield ("grade", index, "moisture_pct"), "the first limit must be less than the second"


def _broke(raw: Table) -> Iterator[Finding]:
    yield from twice(raw, "broke_pit", "name")
    yield from twice(raw, "broke_tower", "name")
    machines = [name for _, machine in tables_of(raw, "machine") if (name := text_of(machine, "id"))]
    for index, tower in tables_of(raw, "broke_tower"):
        machine = text_of(tower, "machine")
        if machine and machine not in machines:
            yield (
                ("broke_tower", index, "machine"),
                f'no machine has the id "{machine}"{did_you_mean(machine, machines)}',
            )
    owner: dict[str, str] = {}
    for index, pit in tables_of(raw, "broke_pit"):
        name = text_of(pit, "name") or f"pit {index + 1}"
        for number, section in texts_of(pit, "sections"):
            if section in owner:
                yield ("broke_pit", index, "sections", number), f'"{section}" falls into {owner[section]} already'
            owner.setdefault(section, name)


_CHECKS: tuple[Callable[[Table], Iterator[Finding]], ...] = (
    _mill, _broker, _page, source_faults, overlap_faults, machine_faults, _causes, shift_faults, _grades, _broke,
)  # fmt: skip


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True
