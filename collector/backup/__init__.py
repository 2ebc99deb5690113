"""A whole copy of a store, made while the collector writes, checked before it counts, and brought back elsewhere."""

from collector.backup.manifest import BackupFault, Manifest
from collector.backup.request import Answering, BackupUnderWay
from collector.backup.restore import restore
from collector.backup.take import take

__all__ = ["Answering", "BackupFault", "BackupUnderWay", "Manifest", "restore", "take"]
