"""Which crew is on duty when: rotas, those that come later, and what is otherwise on single days."""

from __future__ import annotations

from datetime import date

from pydantic import Field

from collector.settings.model.plain import ClockTime, Name, Table


class ShiftOverride(Table):
    """Days on which another crew takes a shift than the pattern says, or on which there is none."""

    first_day: date = Field(
        alias="date",
        description="The local day on which the shift starts; the first of several.",
        examples=[date(2026, 12, 24)],
    )
    last_day: date | None = Field(
        default=None,
        alias="to",
        description="The last day, included; default: that one day.",
        examples=[date(2026, 12, 26)],
    )
    shift: Name | None = Field(
        default=None, description="Name of the shift; default: every shift of the day.", examples=["night"]
    )
    crew: Name | None = Field(default=None, description="The crew that takes it instead.", examples=["C"])
    off: bool = Field(default=False, description="True: there is no such shift, as in a shutdown.", examples=[True])

    def holds(self, day: date, shift: str) -> bool:
        """Whether it says something of that shift of that day."""
        return self.first_day <= day <= (self.last_day or self.first_day) and self.shift in (None, shift)


class Rota(Table):
    """The shifts of a day and the crews that take them in turn."""

    starts: tuple[ClockTime, ...] = Field(
        min_length=1, description="When the shifts of a day begin, mill-local.", examples=[["06:00", "18:00"]]
    )
    names: tuple[Name, ...] = Field(description="Name of each shift of the day.", examples=[["day", "night"]])
    anchor: date = Field(description="The local day on which the pattern starts.", examples=[date(2026, 1, 5)])
    pattern: tuple[Name, ...] = Field(
        min_length=1,
        description="Crew of each shift in turn, repeating.",
        examples=[["A", "B", "A", "B", "C", "D", "C", "D"]],
    )


class LaterRota(Rota):
    """Another rota, from a day on: shifts before it keep the crews that they had."""

    first_day: date = Field(
        alias="date", description="The first local day on which it holds.", examples=[date(2027, 1, 4)]
    )


class Shifts(Rota):
    """The rota, those that came after it, and the days on which neither held."""

    later: tuple[LaterRota, ...] = Field(default=(), description="Rotas that replaced this one, each from a day on.")
    overrides: tuple[ShiftOverride, ...] = Field(
        default=(), alias="override", description="Holidays, swaps and shutdowns; the pattern goes on beneath them."
    )

    def rota_on(self, day: date) -> Rota:
        """The rota that holds on a local day."""
        return max((one for one in self.later if one.first_day <= day), key=lambda one: one.first_day, default=self)
