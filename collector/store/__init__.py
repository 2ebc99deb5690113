"""The store: tables behind views, in one DuckDB file that one process holds, and Parquet files of samples."""

from collector.store.error import (
    StoreConflict,
    StoreDamaged,
    StoreDead,
    StoreError,
    StoreFull,
    StoreHeld,
    StoreNewer,
    StoreOlder,
    StoreReadOnly,
)
from collector.store.opening import Inconsistency, Store

__all__ = [
    "Inconsistency",
    "Store",
    "StoreConflict",
    "StoreDamaged",
    "StoreDead",
    "StoreError",
    "StoreFull",
    "StoreHeld",
    "StoreNewer",
    "StoreOlder",
    "StoreReadOnly",
]
