"""What all views share: the mill, its published store, the words, and what people have said that is on its way."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from pathlib import Path

from starlette.requests import HTTPConnection

from analysis.history import Machine, Mill
from analysis.page.desk import Desk
from analysis.page.keys import Keys
from analysis.page.reader import Reader
from analysis.page.settings import PageSettings
from analysis.read import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """One page of one mill, from its start to its end.

    desk
        Takes notes from people; its ``line`` hears what the collector says, for views that tell it as it happens.
    ending
        Set once the page is to end: whatever streams for long stops then.
    """

    mill_toml: Path
    settings: PageSettings
    reader: Reader
    keys: Keys
    desk: Desk
    ending: asyncio.Event = field(default_factory=asyncio.Event)

    def mill(self) -> Mill:
        """The mill's own settings."""
        return self.reader.answer("mill", Store.mill)

    def machines(self) -> tuple[Machine, ...]:
        """Every machine of the mill, in the order of its file."""
        return self.reader.answer("machines", Store.machines)

    def machine(self, name: str) -> Machine:
        """One machine; NoSuchMachine says which there are."""
        return self.reader.answer(("machine", name), lambda store: store.machine(name))


def site_of(request: HTTPConnection) -> Site:
    """The site that a request belongs to."""
    site: Site = request.app.state.site
    return site
