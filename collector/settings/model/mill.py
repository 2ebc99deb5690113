"""A whole mill.toml."""

from __future__ import annotations

from functools import cached_property
from zoneinfo import ZoneInfo

from pydantic import BaseModel, Field

from collector.settings.model.account import BrokePit, BrokeTower, Cause, Grade, Money
from collector.settings.model.machine import Machine, SheetDetector, Signals, TagSettings
from collector.settings.model.plain import Table
from collector.settings.model.service import Broker, LakeSettings, MillTable, Page, StoreSettings
from collector.settings.model.shifts import LaterRota, ShiftOverride, Shifts
from collector.settings.model.source import FieldsSource, ScanSource, Source, SparkplugSource, ValueSource


class Mill(Table):
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
