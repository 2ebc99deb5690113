"""The places of the navigation, in the order in which people meet them."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote

from starlette.requests import HTTPConnection


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One link of the navigation; its words are ``place.<key>`` of the catalogue.

    route
        Name of the route it leads to, which takes a machine.
    """

    key: str
    route: str


PLACES: tuple[Place, ...] = (
    Place(key="shift", route="shift"),
    Place(key="losses", route="losses"),
    Place(key="now", route="now"),
)


def way_to(request: HTTPConnection, route: str, /, **parts: object) -> str:
    """The address of a view. Parts of it may hold any sign: mills call their shifts ``#1`` and ``N/T``."""
    quoted = {name: quote(part) if isinstance(part, str) else part for name, part in parts.items()}
    return str(request.app.url_path_for(route, **quoted))
