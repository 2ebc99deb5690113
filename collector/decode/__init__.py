"""From a message to the values in it. Pure: the same message gives the same values, whenever and in whatever order."""

from collector.decode.router import FORMATS_READ, Decoder, FormatNotRead

__all__ = ["FORMATS_READ", "Decoder", "FormatNotRead"]
