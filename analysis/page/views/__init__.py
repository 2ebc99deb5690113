"""The views, one module each: ``ROUTES`` says where they are. A new one is a line here, and in ``places.py``."""

from __future__ import annotations

from starlette.routing import BaseRoute

from analysis.page.views import (
    coding,
    door,
    loss_sheet,
    losses,
    missed,
    now,
    one_break,
    preferences,
    pulse,
    shift,
)

ROUTES: list[BaseRoute] = [
    *loss_sheet.ROUTES,  # before the shift, whose name takes all that follows
    *shift.ROUTES,
    *coding.ROUTES,
    *missed.ROUTES,
    *now.ROUTES,
    *one_break.ROUTES,
    *losses.ROUTES,
    *pulse.ROUTES,
    *door.ROUTES,
    *preferences.ROUTES,
]
