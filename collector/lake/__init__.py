"""Copies what is published to a lake that several collectors and mills share. It only reads the published store."""

from collector.lake.copying import Copying, LakeState
from collector.lake.place import Lake, LakeFault, LakeRefused, make_lake
from collector.lake.round import Round, copy_round

__all__ = ["Copying", "Lake", "LakeFault", "LakeRefused", "LakeState", "Round", "copy_round", "make_lake"]
