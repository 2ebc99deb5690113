"""From messages to the values in them. Pure: the same messages give the same values, whenever they are decoded."""

from collector.decode.router import Decoder

__all__ = ["Decoder"]
