"""What losses are held against: cause codes, grades, broke and money."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from collector.settings.model.plain import MachineId, Name, NotNegative, Percent, Positive, Table


class Cause(Table):
    """A cause that the crew may give a break."""

    code: Name = Field(description="Short code, as notes give it.", examples=["PR-FLT"])
    section: Name | None = Field(
        default=None, description="Section it belongs to; without one: any.", examples=["press"]
    )
    name: Name = Field(description="Name for people.", examples=["Felt plugged, worn or streaked"])
    loss: Literal["scheduled", "unscheduled", "process", "grade change", "other"] | None = Field(
        default=None,
        description="Row of the loss table for stops and sheet-offs of this cause; default: stops are unscheduled, "
        "sheet-offs scheduled. Breaks stay breaks.",
        examples=["process"],
    )


class Grade(Table):
    """A grade and what is aimed at when it is made."""

    name: Name = Field(description="The grade, as the grade signal names it.", examples=["C80"])
    basis_weight_g_m2: Positive = Field(description="Nominal basis weight. [g/m²]", examples=[80])
    basis_weight_within_pct: Percent | None = Field(
        default=None, description="Paper further off the nominal basis weight is off-specification. [%]", examples=[2.5]
    )
    target_speed_m_min: Positive | None = Field(
        default=None,
        description="Speed aimed at: speed efficiency, slow running, when a break is over at speed. [m/min]",
        examples=[780],
    )
    moisture_pct: tuple[Percent, Percent] | None = Field(
        default=None,
        description="Lowest and highest moisture; paper outside is off-specification. [%]",
        examples=[[4.5, 5.5]],
    )
    plan_t_d: Positive | None = Field(
        default=None, description="Planned production; a shift stands against its part. [t/d]", examples=[285]
    )


class BrokePit(Table):
    """Where the sheet of some sections goes while it is not on the reel."""

    name: Name = Field(description="Name of the pit or pulper.", examples=["press pit"])
    sections: tuple[Name, ...] = Field(
        min_length=1, description="Sections whose sheet falls into it.", examples=[["press"]]
    )
    consistency_pct: Annotated[Positive, Field(le=100)] | None = Field(
        default=None,
        description="Consistency of what leaves it; without it there are no cubic metres. [%]",
        examples=[3.5],
    )


class BrokeTower(Table):
    """What holds broke, and what doses it back."""

    name: Name = Field(description="Name of the tower or chest.", examples=["white tower"])
    volume_m3: Positive | None = Field(default=None, description="Volume when full. [m³]", examples=[800])
    level: Name | None = Field(default=None, description="Tag of its level. [%]", examples=["broke.tower_level"])
    dosing: Name | None = Field(
        default=None, description="Tag of the broke dosed from it. [% of furnish]", examples=["broke.dosing"]
    )
    returned: Name | None = Field(
        default=None,
        description="Tag of what winder and finishing send back; counts here while a shade is made that it may hold. "
        "[m³/h]",
        examples=["broke.returned"],
    )
    spilled: Name | None = Field(
        default=None, description="Tag of what runs over when it is full. [m³/h]", examples=["broke.tower_overflow"]
    )
    consistency_pct: Annotated[Positive, Field(le=100)] | None = Field(
        default=None, description="Consistency of what it holds; without it there are no tonnes. [%]", examples=[3.5]
    )
    machine: MachineId | None = Field(
        default=None,
        description="Machine whose tags and broke these are; without it every machine has one like it.",
        examples=["pm2"],
    )
    shades: tuple[Name, ...] = Field(default=(), description="Shades it may hold.", examples=[["white"]])
    dosed_into: tuple[Name, ...] = Field(
        default=(),
        description="Shades that what it holds may be dosed into; default: those that it may hold.",
        examples=[["white", "ivory"]],
    )


class Money(Table):
    """What lost paper is worth. What is not set is shown as "not set", never as 0."""

    margin_per_t: NotNegative | None = Field(
        default=None, description="Margin of a saleable tonne. [currency/t]", examples=[300]
    )
    broke_cost_per_t: NotNegative | None = Field(
        default=None, description="Cost of a tonne of broke. [currency/t]", examples=[100]
    )
