"""The views, one module each: ``ROUTES`` says where they are. A new one is a line here, and in ``places.py``."""

from __future__ import annotations

from starlette.routing import BaseRoute

from analysis.page.views import door, losses, one_break, preferences, shift

ROUTES: list[BaseRoute] = [*shift.ROUTES, *one_break.ROUTES, *losses.ROUTES, *door.ROUTES, *preferences.ROUTES]
