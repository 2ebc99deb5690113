"""The mill itself, and what its services are told: broker, store, lake and page."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field

from collector.settings.model.plain import Address, FilePath, Name, NotNegative, Positive, Table


class MillTable(Table):
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


class Broker(Table):
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


class StoreSettings(Table):
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


class LakeSettings(Table):
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


class Page(Table):
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
