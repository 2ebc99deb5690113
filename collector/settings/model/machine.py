"""A machine: its signals, its sheet detectors in path order, and the tags worth a word."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from collector.settings.model.plain import MachineId, Name, NotNegative, Number, Percent, Positive, Table, not_zero


class Signals(Table):
    """Which tag plays which role. Only the speed is needed; what else is missing is left out of the reports."""

    speed: Name = Field(description="Speed of the machine itself. [m/min]", examples=["reel.speed"])
    stock_on: Name | None = Field(
        default=None,
        description="True while stock flows onto the wire: its going off is a stop, and no broke falls meanwhile.",
        examples=["headbox.stock_on"],
    )
    planned: Name | None = Field(
        default=None,
        description="True when the crew takes the sheet off on purpose: such a downtime is planned, not a break.",
        examples=["crew.sheet_off"],
    )
    grade: Name | None = Field(
        default=None,
        description="Grade being made: grade runs and figures by grade, the rate before a loss, targets and limits.",
        examples=["order.grade"],
    )
    shade: Name | None = Field(
        default=None,
        description="Shade being made: which broke tower holds it and may give it back.",
        examples=["order.shade"],
    )
    reel: Name | None = Field(
        default=None,
        description="Number of the reel being wound; a change is a turn-up: tonnes a reel, breaks at the turn-up.",
        examples=["reel.number"],
    )
    basis_weight: Name | None = Field(
        default=None,
        description="Basis weight at reel moisture: tonnes made, lost and broke. [g/m²]",
        examples=["scanner.basis_weight"],
    )
    full_width: Name | None = Field(
        default=None,
        description="True while the sheet at the reel is full width; without it a tail that the last detector sees "
        "counts as the sheet.",
        examples=["reel.full_width"],
    )
    reel_witness: Name | None = Field(
        default=None,
        description="A second sign of sheet at the reel: true, or a number above 0. While it shows sheet, a loss that "
        "only the last detector saw is no break.",
        examples=["scanner.sheet"],
    )
    moisture: Name | None = Field(
        default=None,
        description="Moisture at the reel, for off-specification paper and oven-dry broke. [%]",
        examples=["scanner.moisture"],
    )

    def tracked(self) -> tuple[tuple[str, str], ...]:
        """The roles that the tracker follows; moisture only tells how good the paper was."""
        return tuple((role, tag) for role, tag in self.items() if role != "moisture")

    def items(self) -> tuple[tuple[str, str], ...]:
        """The roles that are given, each with its tag."""
        pairs = ((role, getattr(self, role)) for role in type(self).model_fields)
        return tuple((role, tag) for role, tag in pairs if tag is not None)


class SheetDetector(Table):
    """A signal that is true while it sees the sheet at one place of the machine."""

    tag: Name = Field(description="Tag of the signal.", examples=["sheet.press"])
    section: Name = Field(description="Section whose loss it shows.", examples=["press"])
    position_m: NotNegative = Field(description="Place along the sheet's path, from the slice. [m]", examples=[32.0])


class TagSettings(Table):
    """What is known of a tag. A tag without an entry is stored all the same."""

    name: Name = Field(description="The tag, as the store and all figures name it.", examples=["press.draw"])
    sent_as: Name | None = Field(
        default=None, description="What the messages call it, where that is another name.", examples=["PIC-104.PV"]
    )
    factor: Annotated[Number, AfterValidator(not_zero)] = Field(
        default=1, description="Stored value = value sent · factor + offset; truth counts as 1 or 0.", examples=[0.1]
    )
    offset: Number = Field(default=0, description="See factor; in the tag's unit.", examples=[-0.5])
    unit: str | None = Field(default=None, max_length=40, description="Unit of its values.", examples=["%"])
    low: Number | None = Field(
        default=None, description="Lowest plausible value; below it a sample is flagged.", examples=[0.5]
    )
    high: Number | None = Field(
        default=None, description="Highest plausible value; above it a sample is flagged.", examples=[4.0]
    )
    section: Name | None = Field(default=None, description="Section of the machine it belongs to.", examples=["press"])
    use: Literal["process", "result", "context"] = Field(
        default="process", description="process: may predict; result: moves because of a break; context: neither."
    )


class Machine(Table):
    """A paper machine: its signals, its sheet detectors from the wet end to the reel, its tracking settings."""

    id: MachineId = Field(description="Short id, as it stands in topics and in the ids of downtimes.", examples=["pm2"])
    name: Name = Field(description="Name for people.", examples=["PM 2"])
    trim_m: Positive = Field(description="Width of the sheet at the reel. [m]", examples=[3.40])
    signals: Signals
    sheet_detectors: tuple[SheetDetector, ...] = Field(
        alias="sheet_detector", min_length=1, description="From the wet end to the reel, in path order."
    )
    tags: tuple[TagSettings, ...] = Field(default=(), alias="tag")

    running_above_m_min: NotNegative = Field(default=50, description="Below this speed the machine is stopped. [m/min]")
    reorder_s: NotNegative = Field(default=1, description="How long a scan waits for values that come late. [s]")
    max_ahead_s: NotNegative = Field(default=300, description="Source times further ahead of receipt are rejected. [s]")
    debounce_s: NotNegative = Field(default=2, description="A detector's change counts after this. [s]")
    blind_margin_s: NotNegative = Field(default=5, description="Allowance on the sheet's transport time. [s]")
    stale_after_s: NotNegative = Field(default=60, description="Silence longer than this is a data gap; 0: never. [s]")
    trip_window_s: NotNegative = Field(default=15, description="Time around a loss in which a stop shows itself. [s]")
    trip_drop_pct: Percent = Field(default=20, description="A fall of speed by more than this is a stop. [%]")
    attempt_pause_s: Positive = Field(default=300, description="An attempt that stands still for this is held. [s]")
    on_reel_confirm_s: NotNegative = Field(default=30, description="The sheet is back when it stays for this. [s]")
    secondary_within_min: NotNegative = Field(
        default=30, description="A break this soon after the sheet's return is secondary. [min]"
    )
    turn_up_window_s: NotNegative = Field(
        default=60, description="A loss at the reel within this of a change of reel is at the turn-up. [s]"
    )
    at_speed_within_pct: Percent = Field(
        default=1, description="The sheet is at target speed when it runs at most this much below it. [%]"
    )
    settled_s: NotNegative = Field(
        default=60, description="Speed and quality are back once they have stayed there for this. [s]"
    )
    reel_moisture_pct: Annotated[float, Field(ge=0, lt=100, allow_inf_nan=False)] | None = Field(
        default=None,
        description="Moisture that the mill counts on, for oven-dry broke; default: the moisture signal's mean. [%]",
        examples=[5.0],
    )
    added_g_m2: NotNegative = Field(
        default=0, description="What the size press or a coater adds to the sheet, oven-dry. [g/m²]", examples=[3.0]
    )
    added_from: Name | None = Field(
        default=None,
        description="First section whose sheet carries what is added; sheet lost before it lacks that.",
        examples=["press"],
    )

    def name_sent(self, tag: str) -> str:
        """What the messages call a tag."""
        return next((known.sent_as for known in self.tags if known.name == tag and known.sent_as), tag)
