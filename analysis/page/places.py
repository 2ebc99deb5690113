"""The places of the navigation, in the order in which people meet them."""

from __future__ import annotations

from dataclasses import dataclass


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
