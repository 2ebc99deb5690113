"""Where messages come from, and how each of the formats is read."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from collector.settings.model.plain import MachineId, Name, Quality, Table


class _Source(Table):
    """What every source may say."""

    heartbeat_s: Annotated[float, Field(ge=1, allow_inf_nan=False)] | None = Field(
        default=None,
        description="It sends at least this often: what it brought turns bad once it has been silent for longer while "
        "another source of the machine lives; default: it may send changes only. [s]",
        examples=[10],
    )


class ScanSource(_Source):
    """Messages with the values of several tags at one time."""

    format: Literal["scan"]
    topic: Name = Field(
        description="Topic; {machine} stands for one whole level.", examples=["ellerholm/{machine}/scan"]
    )
    machine: MachineId | None = Field(
        default=None, description="The machine, where the topic does not name it.", examples=["pm2"]
    )


class ValueSource(_Source):
    """Messages with the value of one tag."""

    format: Literal["value"]
    topic: Name = Field(
        description="Topic; {machine} and {tag} stand for one whole level each.",
        examples=["ellerholm/{machine}/tag/{tag}"],
    )
    machine: MachineId | None = Field(
        default=None, description="The machine, where the topic does not name it.", examples=["pm2"]
    )
    tag: Name | None = Field(
        default=None, description="The tag, where the topic does not name it.", examples=["press.draw"]
    )


class SparkplugSource(_Source):
    """Sparkplug B edge nodes."""

    format: Literal["sparkplug"]
    group: Name = Field(description="Sparkplug group id.", examples=["ellerholm"])
    edges: tuple[Name, ...] = Field(min_length=1, description="Edge node ids of the group.", examples=[["gw1", "gw2"]])
    machine: MachineId | None = Field(
        default=None,
        description="The machine of the edge nodes' own metrics; a device names its machine itself.",
        examples=["pm2"],
    )


class FieldsSource(_Source):
    """Any JSON: where to find things in it, as JSON Pointers (RFC 6901)."""

    format: Literal["fields"]
    topic: Name = Field(
        description="Topic; {machine} and {tag} stand for one whole level each.", examples=["gateway/out"]
    )
    machine: str | None = Field(
        default=None, description="Pointer to the machine's id, or the id itself.", examples=["/asset"]
    )
    tag: str | None = Field(
        default=None, description="Pointer to the tag's name, or the name itself.", examples=["/name"]
    )
    time: str | None = Field(
        default=None, description="Pointer to the source time; without it: time of receipt.", examples=["/timestamp"]
    )
    value: str = Field(description="Pointer to the value.", examples=["/value"])
    quality: str | None = Field(default=None, description="Pointer to the quality.", examples=["/quality"])
    good_qualities: tuple[Quality, ...] = Field(
        default=("Good", 192), description="Qualities that count as good; all others are bad."
    )


Source = Annotated[ScanSource | ValueSource | SparkplugSource | FieldsSource, Field(discriminator="format")]
