"""The only place that opens the published store: read-only, locked down, and never the collector's own file."""

from analysis.read.mill import CannotRead, NoMill, NoStore, NoSuchMachine, OtherVersion, mill_table, store_folder
from analysis.read.opening import MEMORY, PUBLISHED, connect, connect_apart, open_store, reading
from analysis.read.store import Store

__all__ = [
    "MEMORY",
    "PUBLISHED",
    "CannotRead",
    "NoMill",
    "NoStore",
    "NoSuchMachine",
    "OtherVersion",
    "Store",
    "connect",
    "connect_apart",
    "mill_table",
    "open_store",
    "reading",
    "store_folder",
]
