"""Replaces names by others that nobody can turn back without the mill's key, the same name always by the same."""

from __future__ import annotations

import base64
import hmac
import os
import re
import secrets
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

_ID = re.compile(r"(?P<machine>.+)-(?P<start>\d{8}T\d{6}Z)")
_STAMP = "%Y%m%dT%H%M%SZ"
_LETTERS = 8
_KEY_BYTES = 32
_WEEKS = 520


class BadKey(Exception):
    """The key file is no key of ours, or cannot be kept secret; the message says what to do."""


@dataclass(frozen=True, kw_only=True)
class Pseudonyms:
    """Names as the key makes them.

    shift
        By how much every time is moved; zero: not at all.
    given
        Every name that was replaced so far, by kind and name.
    """

    key: bytes
    shift: timedelta = timedelta(0)
    given: dict[tuple[str, str], str] = field(default_factory=dict)

    def of(self, kind: str, name: str) -> str:
        """The pseudonym of a name: HMAC-SHA256 (RFC 2104), 40 bits of it as eight letters and digits.

        Raises
        ------
        BadKey
            If two names of one kind come out the same: once in some million exports.
        """
        if (kind, name) not in self.given:
            digest = hmac.digest(self.key, f"{kind}\0{name}".encode(), "sha256")
            made = f"{kind}-{base64.b32encode(digest).decode().lower()[:_LETTERS]}"
            if made in self.given.values():
                raise BadKey(f"two names of kind {kind} become {made}; take another key")
            self.given[kind, name] = made
        return self.given[kind, name]

    def of_downtime(self, downtime_id: str) -> str:
        """The id of a downtime with the machine replaced and its start moved like every other time."""
        found = _ID.fullmatch(downtime_id)
        if found is None:
            return self.of("downtime", downtime_id)
        try:
            started = datetime.strptime(found["start"], _STAMP).replace(tzinfo=UTC)
        except ValueError:
            return self.of("downtime", downtime_id)
        return f"{self.of('machine', found['machine'])}-{started + self.shift:{_STAMP}}"


def key_shift(key: bytes) -> timedelta:
    """By how much a key moves times: one to 520 whole weeks back, so that weekday and hour stay what they are."""
    number = int.from_bytes(hmac.digest(key, b"weeks", "sha256")[:4])
    return -timedelta(weeks=1 + number % _WEEKS)


def read_key(file: Path) -> bytes:
    """The mill's key; a file that is not there is made, readable by its owner only.

    Raises
    ------
    BadKey
        If the file is something else, or others may read it.
    """
    try:
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        pass
    else:
        with os.fdopen(handle, "w", encoding="ascii") as made:
            made.write(secrets.token_hex(_KEY_BYTES) + "\n")
    if os.name == "posix" and file.stat().st_mode & 0o077:
        raise BadKey(f"others than its owner may read {file}; say chmod 600, or take another key if they did")
    text = file.read_text(encoding="utf-8", errors="replace").strip()
    if not re.fullmatch(f"[0-9a-f]{{{2 * _KEY_BYTES}}}", text):
        raise BadKey(
            f"{file} is no key: it must be {2 * _KEY_BYTES} hexadecimal digits; name a new file to have one made"
        )
    return bytes.fromhex(text)
