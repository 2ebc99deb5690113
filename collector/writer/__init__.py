"""The one writer of the store: a batch becomes rows, all in one transaction."""

from collector.writer.commit import Committed, Writer
from collector.writer.context_rows import Receipt

__all__ = ["Committed", "Receipt", "Writer"]
