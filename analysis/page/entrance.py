"""Who may look, where somebody must say who they are: users with passwords, or one token for devices on the wall."""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import HTTPConnection, Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from analysis.page.kept import write_whole
from analysis.page.keys import Keys
from analysis.page.settings import NotSafe, PageSettings
from analysis.page.site import site_of

STAYS_S = 30 * 86_400
"""How long somebody stays let in: a tablet is not asked at every handover. [s]"""
SHORTEST_PASSWORD = 10
COOKIE = "breakhorn_entered"
_ENTERED = "entered"
_N, _R, _P = 2**14, 8, 1
"""Cost of scrypt: 16 MiB and some 40 ms a try (RFC 7914 names the parameters)."""
_OPEN = ("/enter", "/static/")


@dataclass(frozen=True, slots=True, kw_only=True)
class User:
    """Somebody with a password, of which only a salted hash is kept."""

    name: str
    salt: bytes
    digest: bytes

    def line(self) -> str:
        """As a line of the users file."""
        return f"{self.name}:scrypt:{_text(self.salt)}:{_text(self.digest)}"


def new_user(name: str, password: str) -> User:
    """A user with a password.

    Raises
    ------
    ValueError
        For a name that the file cannot hold, or a password that can be guessed.
    """
    if not name or ":" in name or name != name.strip() or not name.isprintable() or len(name) > 60:
        raise ValueError("a name has 1 to 60 printable characters, no colon, and no space at its ends")
    if len(password) < SHORTEST_PASSWORD:
        raise ValueError(f"a password has at least {SHORTEST_PASSWORD} characters")
    salt = secrets.token_bytes(16)
    return User(name=name, salt=salt, digest=_digest(password, salt))


def read_users(file: Path) -> dict[str, User]:
    """The users of a file, by name; empty lines and those that begin with ``#`` say nothing.

    Raises
    ------
    NotSafe
        For a file that cannot be read, or a line that is none of ours.
    """
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except OSError as error:
        raise NotSafe(
            f"{file}: {error.strerror} ([page] users_file); 'breakhorn page --add-user NAME' begins it"
        ) from error
    users = {}
    for number, line in enumerate(lines, start=1):
        if line.strip() and not line.startswith("#"):
            user = _user(line, f"{file}:{number}")
            users[user.name] = user
    return users


def add_user(file: Path, user: User) -> None:
    """Write a user into the file, in place of one of the same name."""
    users = (read_users(file) if file.exists() else {}) | {user.name: user}
    write_whole(file, "".join(f"{one.line()}\n" for one in users.values()).encode())


def _user(line: str, where: str) -> User:
    parts = line.strip().split(":")
    try:
        name, kind, salt, digest = parts
        user = User(name=name, salt=_raw(salt), digest=_raw(digest))
    except ValueError as error:
        raise NotSafe(f"{where}: not a line of ours; write it with 'breakhorn page --add-user NAME'") from error
    if kind != "scrypt" or not user.digest:
        raise NotSafe(f"{where}: not a line of ours; write it with 'breakhorn page --add-user NAME'")
    return user


class Doorkeeper:
    """Knows whom to let in, and remembers them by a signed cookie."""

    def __init__(self, settings: PageSettings, keys: Keys, *, now_s: Callable[[], float] = time.time) -> None:
        """The users file is read at each attempt, so that a changed password holds at once."""
        self._settings, self._keys, self._now_s = settings, keys, now_s

    def lets_in(self, name: str, password: str) -> str | None:
        """The user that name and password belong to; empty for a device with the token, None for a stranger."""
        token = self._settings.token
        if token is not None and hmac.compare_digest(token.encode(), password.encode()):
            return ""
        user = self._users().get(name)
        # Somebody who does not exist takes as long as somebody who does.
        salt, digest = (user.salt, user.digest) if user else (b"\0" * 16, b"\0" * 64)
        right = hmac.compare_digest(_digest(password, salt), digest)
        return name if right and user is not None else None

    def pass_for(self, name: str) -> str:
        """What the cookie of somebody who was let in says."""
        until = int(self._now_s()) + STAYS_S
        return self._keys.signed(self._purpose(name), f"{_text(name.encode())}.{until}")

    def holder(self, word: str) -> str | None:
        """Who was let in with a cookie, empty for a device; None if it is over, or the password was changed since."""
        try:
            coded, until, _ = word.split(".")
            name = _raw(coded).decode()
            in_time = int(until) > self._now_s()
        except ValueError:
            return None
        return name if in_time and self._keys.opened(self._purpose(name), word) else None

    def _purpose(self, name: str) -> str:
        """A pass is bound to the password or token it was given for."""
        user = self._users().get(name)
        if user is not None:
            return f"{_ENTERED}:{user.digest.hex()}"
        return f"{_ENTERED}:{hashlib.sha256((self._settings.token or '').encode()).hexdigest()}"

    def _users(self) -> Mapping[str, User]:
        file = self._settings.users_file
        return {} if file is None else read_users(file)


class Entrance:
    """Sends everybody who has not said who they are to the door."""

    def __init__(self, app: ASGIApp, *, doorkeeper: Doorkeeper) -> None:
        """Stand before an application."""
        self._app, self._doorkeeper = app, doorkeeper

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on with the user's name, or send to the door."""
        if scope["type"] == "http" and site_of(HTTPConnection(scope)).settings.guarded:
            request = Request(scope)
            word = request.cookies.get(COOKIE, "")
            user = await run_in_threadpool(self._doorkeeper.holder, word) if word else None
            scope.setdefault("state", {})["user"] = user
            if user is None and not scope["path"].startswith(_OPEN):
                await _to_the_door(request)(scope, receive, send)
                return
        await self._app(scope, receive, send)


def _to_the_door(request: Request) -> Response:
    door = request.url.replace(path="/enter", query="").include_query_params(to=request.url.path)
    if request.method in ("GET", "HEAD") and "text/html" in request.headers.get("accept", ""):
        return RedirectResponse(f"{door.path}?{door.query}", status_code=303)
    return Response(status_code=401)


def _digest(password: str, salt: bytes) -> bytes:
    return hashlib.scrypt(password.encode(), salt=salt, n=_N, r=_R, p=_P)


def _text(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode()


def _raw(text: str) -> bytes:
    return base64.urlsafe_b64decode(text)
