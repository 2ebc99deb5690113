"""What mill.toml may say: the validated values, their units and their defaults. Nothing here reads a file."""

from __future__ import annotations

from collector.settings.model.account import BrokePit, BrokeTower, Cause, Grade, Money
from collector.settings.model.machine import Machine, SheetDetector, Signals, TagSettings
from collector.settings.model.mill import TABLES, Mill
from collector.settings.model.service import Broker, LakeSettings, MillTable, Page, StoreSettings
from collector.settings.model.shifts import LaterRota, Rota, ShiftOverride, Shifts
from collector.settings.model.source import FieldsSource, ScanSource, Source, SparkplugSource, ValueSource

__all__ = [
    "TABLES",
    "BrokePit",
    "BrokeTower",
    "Broker",
    "Cause",
    "FieldsSource",
    "Grade",
    "LakeSettings",
    "LaterRota",
    "Machine",
    "Mill",
    "MillTable",
    "Money",
    "Page",
    "Rota",
    "ScanSource",
    "SheetDetector",
    "ShiftOverride",
    "Shifts",
    "Signals",
    "Source",
    "SparkplugSource",
    "StoreSettings",
    "TagSettings",
    "ValueSource",
]
