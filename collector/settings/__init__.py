"""mill.toml as validated values: a mill that exists is valid, one that is not says everything that is wrong with it."""

from collector.settings.faults import MillFault, MillFaults
from collector.settings.load import load_mill, mill_schema, parse_mill
from collector.settings.model.account import BrokePit, BrokeTower, Cause, Grade, Money
from collector.settings.model.machine import Machine, SheetDetector, Signals, TagSettings
from collector.settings.model.mill import Mill
from collector.settings.model.service import Broker, Page, StoreSettings
from collector.settings.model.shifts import LaterRota, ShiftOverride, Shifts
from collector.settings.model.source import FieldsSource, ScanSource, Source, SparkplugSource, ValueSource

__all__ = [
    "BrokePit",
    "BrokeTower",
    "Broker",
    "Cause",
    "FieldsSource",
    "Grade",
    "LaterRota",
    "Machine",
    "Mill",
    "MillFault",
    "MillFaults",
    "Money",
    "Page",
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
    "load_mill",
    "mill_schema",
    "parse_mill",
]
