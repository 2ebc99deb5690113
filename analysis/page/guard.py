"""What stands before every view: which hosts, how large, how often, from where, who, and what browsers may do."""

from __future__ import annotations

import time
from collections.abc import Callable
from ipaddress import IPv6Address, ip_address, ip_network
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from analysis.page.limits import Limiter

LARGEST_FORM = 16 * 1024
"""A comment has 2,000 characters at most; a form of ours never reaches this. [bytes]"""
POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
_CHANGING = frozenset({"POST", "PUT", "PATCH", "DELETE"})


class Sealed:
    """Adds what browsers must keep to every answer, errors and streams included."""

    def __init__(self, app: ASGIApp) -> None:
        """Stand before an application."""
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, with the headers added."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                # A style sheet that was renewed must not meet a page of before.
                headers.setdefault("Cache-Control", "no-cache")
            await send(message)

        await self._app(scope, receive, with_headers)


class Guard:
    """Refuses what no page of ours would send: too large, too often, from another site.

    Raises
    ------
    HTTPException
        Its detail is a key of the catalogue below ``error``.
    """

    def __init__(
        self, app: ASGIApp, *, forms: Limiter | None = None, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        """Stand before an application; ``forms`` limits the forms of one address."""
        self._app = app
        self._forms = forms or Limiter(burst=40, every_s=1.0)
        self._clock_s = clock_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, or refuse."""
        if scope["type"] == "http" and scope["method"] in _CHANGING:
            connection = HTTPConnection(scope)
            _from_our_own(connection)
            self._not_too_often(connection)
            receive = _limited(connection.headers, receive)
        await self._app(scope, receive, send)

    def _not_too_often(self, connection: HTTPConnection) -> None:
        who, now_s = address_of(connection), self._clock_s()
        if not self._forms.allows(who, now_s):
            raise too_often(self._forms.wait_s(who, now_s))


def address_of(connection: HTTPConnection) -> str:
    """Where a request comes from; of IPv6 the network, since one computer has as many addresses as it likes.

    An IPv4 address written as an IPv6 one (RFC 4291, 2.5.5.2) is the IPv4 address: they all lie in one such network.

    What a proxy says of it counts only if ``[page] trusted_proxies`` names the proxy.
    """
    host = connection.client.host if connection.client else ""
    try:
        found = ip_address(host.partition("%")[0])
    except ValueError:
        return host
    if isinstance(found, IPv6Address) and found.ipv4_mapped is None:
        return str(ip_network((found, 64), strict=False))
    return str(found.ipv4_mapped if isinstance(found, IPv6Address) else found)


def too_often(wait_s: float) -> HTTPException:
    """The refusal of somebody who tries too often."""
    return HTTPException(429, detail="too_often", headers={"Retry-After": str(max(1, round(wait_s)))})


def _from_our_own(connection: HTTPConnection) -> None:
    """A browser says where a form was sent from; one that says nothing is still asked for the form's own key."""
    site = connection.headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        raise HTTPException(403, detail="elsewhere")
    origin = connection.headers.get("origin")
    if origin is not None and urlsplit(origin).netloc != connection.headers.get("host"):
        raise HTTPException(403, detail="elsewhere")


def _limited(headers: Headers, receive: Receive) -> Receive:
    """The body, cut off with a refusal as soon as it is too large, whatever its length was said to be."""
    said = headers.get("content-length", "0")
    if not said.isdecimal() or int(said) > LARGEST_FORM:
        raise HTTPException(413, detail="too_large")
    read = 0

    async def counted() -> Message:
        nonlocal read
        message = await receive()
        read += len(message.get("body", b""))
        if read > LARGEST_FORM:
            raise HTTPException(413, detail="too_large")
        return message

    return counted
