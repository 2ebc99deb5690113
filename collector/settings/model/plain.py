"""What the tables of mill.toml are made of: names, numbers, times of day, addresses."""

from __future__ import annotations

from datetime import time
from ipaddress import ip_network
from pathlib import Path
from typing import Annotated

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainValidator,
    StringConstraints,
    WithJsonSchema,
)

_NO_CONTROL = r"^[^\u0000-\u001f\u007f-\u009f]+$"

Name = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=_NO_CONTROL)]
"""A text for people, or a tag: up to 200 characters, none of them a control character."""

MachineId = Annotated[str, StringConstraints(max_length=40, pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$")]
"""A machine's id stands in topics and in every downtime's id, so it is kept to characters that are safe there."""

Number = Annotated[float, Field(allow_inf_nan=False)]

NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]

Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]

FilePath = Annotated[Path, Field(strict=False)]


def _address(value: str) -> str:
    try:
        ip_network(value)
    except ValueError:
        raise ValueError('is no address and no network: write "192.0.2.7" or "192.0.2.0/24"') from None
    return value


Address = Annotated[str, AfterValidator(_address)]


def _clock_time(value: object) -> object:
    """A text such as "06:00" as a time of day; anything else is left to the strict check that follows."""
    if not isinstance(value, str):
        return value
    hour, colon, minute = value.partition(":")
    if not (colon and hour.isdecimal() and minute.isdecimal() and len(hour) == len(minute) == 2):
        raise ValueError('is not a time of day: write "06:00"')
    try:
        return time(int(hour), int(minute))
    except ValueError:
        raise ValueError('is not a time of day: write "00:00" to "23:59"') from None


def _local(value: time) -> time:
    if value.tzinfo is not None or value.microsecond:
        raise ValueError('must be a mill-local time of day such as "06:00"')
    return value


ClockTime = Annotated[
    time,
    BeforeValidator(_clock_time),
    AfterValidator(_local),
    WithJsonSchema({"type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$"}),
]


def _quality(value: object) -> object:
    if isinstance(value, str | int):
        return value
    raise ValueError("must be a text, a whole number, true or false")


Quality = Annotated[
    str | int | bool, PlainValidator(_quality), WithJsonSchema({"type": ["string", "integer", "boolean"]})
]


def not_zero(value: float) -> float:
    """A factor as it is; ValueError if it is 0."""
    if value == 0:
        raise ValueError("must not be 0: every value would be the same")
    return value


class Table(BaseModel):
    """One table of mill.toml. Nothing is converted silently, and an unknown key is a fault."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid")
