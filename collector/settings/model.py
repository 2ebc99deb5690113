"""What mill.toml may say: the validated values, their units and their defaults. Nothing here reads a file."""

from __future__ import annotations

from datetime import date, time
from functools import cached_property
from ipaddress import ip_network
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

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


def _not_zero(value: float) -> float:
    if value == 0:
        raise ValueError("must not be 0: every value would be the same")
    return value


class _Table(BaseModel):
    """One table of mill.toml. Nothing is converted silently, and an unknown key is a fault."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid")


class MillTable(_Table):
    """The mill itself."""

    name: Name = Field(description="The mill's name, as reports show it.", examples=["Ellerholm"])
    time_zone: Name = Field(
        description='IANA name of the mill\'s clock, such as "Europe/Helsinki".', examples=["Europe/Helsinki"]
    )
    currency: Name = Field(default="EUR", description="Unit of the figures in [money].")
    topic_root: str = Field(
        default="",
        description="First levels of the topics the collector itself uses; default: the name in lower case.",
        examples=["ellerholm"],
    )
    demo: bool = Field(default=False, description="True for an invented mill: every page is marked as demo data.")
    planned_cutoff_h: NotNegative = Field(
        default=24, description="Planned downtime longer than this is left out of available time. [h]"
    )


class Broker(_Table):
    """The MQTT broker that the machine's messages come from."""

    host: Name = Field(default="127.0.0.1", description="Name or address of the broker.")
    port: int = Field(default=1883, ge=1, le=65535, description="TCP port of the broker.")
    client_id: str = Field(
        default="",
        max_length=200,
        description='The session the broker keeps; default: "breakhorn-<topic root>".',
        examples=["breakhorn-ellerholm"],
    )
    window: int = Field(
        default=1000, ge=2, le=65535, description="Unacknowledged messages at most (MQTT 5 receive maximum)."
    )
    keepalive_s: int = Field(
        default=30, ge=1, le=65535, description="A dead connection is noticed within twice this, and made anew. [s]"
    )
    payload_at_most_kb: int = Field(
        default=1024, ge=1, le=262_144, description="Larger payloads are not decoded: kept as rejected, cut. [KiB]"
    )
    off_the_wire: bool = Field(
        default=True,
        description="Messages are taken off the wire before paho looks at each; false: by paho alone, slower.",
    )
    subscribe: Name | None = Field(
        default=None,
        description="One wide topic filter instead of one a source: for brokers that keep order only within one.",
        examples=["ellerholm/#"],
    )
    tls_ca: FilePath | None = Field(
        default=None, description="Certificates to trust; switches TLS on. (PEM file)", examples=["ca.crt"]
    )
    tls_cert: FilePath | None = Field(
        default=None, description="The collector's own certificate. (PEM file)", examples=["collector.crt"]
    )
    tls_key: FilePath | None = Field(
        default=None, description="The key of tls_cert. (PEM file)", examples=["collector.key"]
    )
    username: Name | None = Field(default=None, description="User name at the broker.", examples=["collector"])
    password_env: Name | None = Field(
        default=None, description="Environment variable that holds the password.", examples=["BROKER_PASSWORD"]
    )
    password_file: FilePath | None = Field(
        default=None, description="File whose first line is the password.", examples=["broker.password"]
    )


class StoreSettings(_Table):
    """Where the rows are kept and how often they are committed and published."""

    folder: FilePath = Field(default=Path("store"), description="Folder of the store, relative to mill.toml.")
    publish_every_s: Positive = Field(default=10, description="How often readers get what is new. [s]")
    commit_within_s: Positive = Field(default=0.1, description="A message is committed at the latest after this. [s]")
    tags_at_most: int = Field(
        default=20_000, ge=1, le=1_000_000, description="Tags of all machines together; values of more are rejected."
    )
    memory_limit_mb: int = Field(
        default=1000, ge=100, description="Memory that DuckDB may use; the collector itself needs some 200 more. [MB]"
    )
    min_free_mb: NotNegative = Field(
        default=200, description="Nothing is taken while less than this is free on the disk; 0: never wait. [MB]"
    )
    thin_after_days: int | None = Field(
        default=None,
        ge=1,
        description="Days older than this keep one mean a minute and tag, but for what the sheet is tracked by and for "
        "the time around downtimes; default: never. What was thinned stays so. [days]",
        examples=[730],
    )
    whole_before_min: NotNegative = Field(
        default=120, description="Before a downtime, nothing is thinned for this long. [min]"
    )
    whole_after_min: NotNegative = Field(
        default=30, description="After the end of a downtime, nothing is thinned for this long. [min]"
    )


class LakeSettings(_Table):
    """The lake that several collectors share: closed days and small tables are copied there as Parquet."""

    folder: FilePath = Field(
        description="Folder of the lake, as it is mounted here; relative to mill.toml.", examples=["/srv/lake"]
    )
    writer: str = Field(
        default="",
        max_length=200,
        description="Name of this collector in the lake; default: the broker's client_id.",
        examples=["breakhorn-ellerholm"],
    )
    copy_every_s: Positive = Field(default=900, description="How often what has changed is copied. [s]")


class _Source(_Table):
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


class Signals(_Table):
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


class SheetDetector(_Table):
    """A signal that is true while it sees the sheet at one place of the machine."""

    tag: Name = Field(description="Tag of the signal.", examples=["sheet.press"])
    section: Name = Field(description="Section whose loss it shows.", examples=["press"])
    position_m: NotNegative = Field(description="Place along the sheet's path, from the slice. [m]", examples=[32.0])


class TagSettings(_Table):
    """What is known of a tag. A tag without an entry is stored all the same."""

    name: Name = Field(description="The tag, as the store and all figures name it.", examples=["press.draw"])
    sent_as: Name | None = Field(
        default=None, description="What the messages call it, where that is another name.", examples=["PIC-104.PV"]
    )
    factor: Annotated[Number, AfterValidator(_not_zero)] = Field(
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


class Machine(_Table):
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


class Cause(_Table):
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


class ShiftOverride(_Table):
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


class Rota(_Table):
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


class Grade(_Table):
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


class BrokePit(_Table):
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


class BrokeTower(_Table):
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


class Money(_Table):
    """What lost paper is worth. What is not set is shown as "not set", never as 0."""

    margin_per_t: NotNegative | None = Field(
        default=None, description="Margin of a saleable tonne. [currency/t]", examples=[300]
    )
    broke_cost_per_t: NotNegative | None = Field(
        default=None, description="Cost of a tonne of broke. [currency/t]", examples=[100]
    )


class Page(_Table):
    """The crew's page. The collector reads none of it; it stands here so that one check sees the whole file."""

    host: Name = Field(default="127.0.0.1", description="Where the page listens; others than this computer need users.")
    port: int = Field(default=8620, ge=1, le=65535, description="TCP port of the page.")
    language: str = Field(
        default="en", pattern="^[a-z]{2,3}(-[A-Za-z0-9]+)*$", description="Language of those who have not chosen one."
    )
    folder: FilePath = Field(
        default=Path("page"), description="What the page keeps: notes on their way, the key that signs its cookies."
    )
    allowed_hosts: tuple[Name, ...] = Field(
        default=(),
        description="Further names under which browsers may ask for the page.",
        examples=[["page.ellerholm.example"]],
    )
    trusted_proxies: tuple[Address, ...] = Field(
        default=(),
        description="Addresses or networks of proxies whose X-Forwarded-For and -Proto are believed; none by default.",
    )
    users_file: FilePath | None = Field(
        default=None,
        description="Users and their password hashes; breakhorn page --add-user NAME writes it.",
        examples=["users"],
    )
    token_file: FilePath | None = Field(
        default=None,
        description="File whose first line lets devices in that nobody is named at.",
        examples=["page.token"],
    )
    token_env: Name | None = Field(
        default=None, description="Environment variable that holds that token.", examples=["PAGE_TOKEN"]
    )
    tls_cert: FilePath | None = Field(
        default=None, description="The page's certificate; switches HTTPS on. (PEM file)", examples=["page.crt"]
    )
    tls_key: FilePath | None = Field(default=None, description="The key of tls_cert. (PEM file)", examples=["page.key"])
    broker_username: Name | None = Field(
        default=None,
        description="User name of the page at the broker; default: that of [broker], with its password.",
        examples=["page"],
    )
    broker_password_env: Name | None = Field(
        default=None,
        description="Environment variable that holds the password of broker_username.",
        examples=["PAGE_BROKER_PASSWORD"],
    )
    broker_password_file: FilePath | None = Field(
        default=None,
        description="File whose first line is the password of broker_username.",
        examples=["page-broker.password"],
    )


class Mill(_Table):
    """A whole mill.toml. Made by ``load_mill`` or ``parse_mill``, which also check what one table says of another."""

    mill: MillTable
    broker: Broker = Broker()
    store: StoreSettings = StoreSettings()
    lake: LakeSettings | None = None
    sources: tuple[Source, ...] = Field(alias="source", min_length=1)
    machines: tuple[Machine, ...] = Field(alias="machine", min_length=1)
    causes: tuple[Cause, ...] = Field(default=(), alias="cause")
    shifts: Shifts | None = None
    grades: tuple[Grade, ...] = Field(default=(), alias="grade")
    broke_pits: tuple[BrokePit, ...] = Field(default=(), alias="broke_pit")
    broke_towers: tuple[BrokeTower, ...] = Field(default=(), alias="broke_tower")
    money: Money = Money()
    page: Page = Page()

    @property
    def heartbeats_s(self) -> dict[int, float]:
        """How often sources send at least, by their number from 0; without those that do not say. [s]"""
        said = ((number, source.heartbeat_s) for number, source in enumerate(self.sources))
        return {number: heartbeat_s for number, heartbeat_s in said if heartbeat_s is not None}

    @property
    def name(self) -> str:
        """The mill's name."""
        return self.mill.name

    @property
    def time_zone(self) -> str:
        """IANA name of the mill's clock."""
        return self.mill.time_zone

    @cached_property
    def zone(self) -> ZoneInfo:
        """The mill's clock."""
        return ZoneInfo(self.mill.time_zone)

    @property
    def currency(self) -> str:
        """Unit of the figures in ``money``."""
        return self.mill.currency

    @property
    def topic_root(self) -> str:
        """First levels of the topics that the collector itself uses."""
        return self.mill.topic_root or self.mill.name.lower()

    @property
    def planned_cutoff_h(self) -> float:
        """Planned downtime longer than this is left out of available time. [h]"""
        return self.mill.planned_cutoff_h

    def machine(self, machine_id: str) -> Machine:
        """The machine with this id; KeyError if mill.toml does not name it."""
        for machine in self.machines:
            if machine.id == machine_id:
                return machine
        raise KeyError(machine_id)


TABLES: dict[tuple[str, ...], type[BaseModel]] = {
    (): Mill,
    ("mill",): MillTable,
    ("broker",): Broker,
    ("store",): StoreSettings,
    ("lake",): LakeSettings,
    ("source", "scan"): ScanSource,
    ("source", "value"): ValueSource,
    ("source", "sparkplug"): SparkplugSource,
    ("source", "fields"): FieldsSource,
    ("machine",): Machine,
    ("machine", "signals"): Signals,
    ("machine", "sheet_detector"): SheetDetector,
    ("machine", "tag"): TagSettings,
    ("cause",): Cause,
    ("shifts",): Shifts,
    ("shifts", "later"): LaterRota,
    ("shifts", "override"): ShiftOverride,
    ("grade",): Grade,
    ("broke_pit",): BrokePit,
    ("broke_tower",): BrokeTower,
    ("money",): Money,
    ("page",): Page,
}
"""The table of the model behind each table of the file, to suggest a key for a misspelt one."""
