"""Sparkplug B (ISO/IEC 20237): from the messages of an edge node to scans, by what its births have told."""

from collector.decode.sparkplug.node import EdgeNode
from collector.decode.sparkplug.wire import NAMESPACE

__all__ = ["NAMESPACE", "EdgeNode"]
