"""Feeds stream files to the same pipeline as the live service, without a broker."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from collector.batch import Batch
from collector.block import Block
from collector.message import Message, Rejected
from collector.pipeline import Pipeline
from collector.service.tally import Counts
from collector.settings import Mill
from collector.store import Store
from collector.writer import Writer

BATCH_ROWS = 50_000
"""Samples committed together, about."""


def load(
    mill: Mill,
    store: Store,
    messages: Iterable[Message],
    *,
    flush: bool = True,
    progress: Callable[[Counts], None] = lambda counts: None,
    stopping: Callable[[], bool] = lambda: False,
) -> Counts:
    """Take in messages in order of receipt and commit them in batches; give what was done.

    Interrupted, it leaves whole batches; loading the same again drops what is already there.
    What the tracker has not decided at the end stays undecided.

    flush
        False when more will follow: the newest second goes on waiting for its order, as it does live.
    stopping
        Asked between batches; true ends the load after a whole one, and nothing is flushed.
    """
    counts = Counts()
    pipeline, writer = Pipeline(mill, store.tracker_states()), Writer(store, mill)
    batch, rows = Batch(), 0
    for message in messages:
        before = len(batch.scans)
        pipeline.take(message, batch)
        rows += sum(len(scan.values) for scan in batch.scans[before:])
        if rows >= BATCH_ROWS or batch.messages >= BATCH_ROWS:
            _commit(store, pipeline, writer, batch, counts)
            progress(counts)
            batch, rows = Batch(), 0
            if stopping():
                return counts
    if flush:
        pipeline.flush(batch)
    _commit(store, pipeline, writer, batch, counts)
    progress(counts)
    return counts


def load_blocks(
    mill: Mill,
    store: Store,
    blocks: Iterable[Block],
    rejected: Sequence[Rejected] = (),
    *,
    progress: Callable[[Counts], None] = lambda counts: None,
    stopping: Callable[[], bool] = lambda: False,
) -> Counts:
    """Take in history that came from no message, in order of time; otherwise as ``load``, a transaction a block.

    rejected
        What could not be used of where it came from; committed first.
    """
    counts = Counts()
    pipeline, writer = Pipeline(mill, store.tracker_states()), Writer(store, mill)
    batch = Batch(rejected=list(rejected))
    for block in blocks:
        pipeline.take_block(block, batch)
        _commit(store, pipeline, writer, batch, counts)
        progress(counts)
        batch = Batch()
        if stopping():
            return counts
    pipeline.flush(batch)
    _commit(store, pipeline, writer, batch, counts)
    progress(counts)
    return counts


def _commit(store: Store, pipeline: Pipeline, writer: Writer, batch: Batch, counts: Counts) -> None:
    pipeline.seal(batch)
    store.check_room()
    counts.add(batch, writer.commit(batch))
