"""What readers open is made here: samples go to Parquet parts, all else to a small file that is put in place whole."""

from __future__ import annotations

from collector.publish.day import closed_before
from collector.publish.export import export
from collector.publish.layout import Layout
from collector.publish.merge import merge
from collector.publish.part_file import Step, delete_retired, delete_unlisted
from collector.publish.reader_file import write_reader_file
from collector.settings import Mill
from collector.store import Store, StoreFull
from collector.store.settings_rows import fill_shifts

__all__ = ["Layout", "publish"]

_LAYOUT = Layout()


def publish(store: Store, mill: Mill, *, now_ms: int, layout: Layout = _LAYOUT, step: Step = lambda name: None) -> None:
    """Let readers have all that is committed. Uses the store's connection, so call it between commits.

    Killed at any instant, nothing is lost and nothing doubled: the next call does what was left undone.

    step
        Called with the name of each step that is done; tests stop there.

    Raises
    ------
    StoreFull, StoreDead, StoreReadOnly, StoreDamaged
        Readers keep the file before, and every sample is where it was.
    """
    try:
        with store.errors():
            _publish_samples(store, now_ms=now_ms, layout=layout, step=step)
    except StoreFull:
        delete_unlisted(store)
        raise
    with store.transaction() as connection:
        fill_shifts(connection, mill)
        connection.execute("DELETE FROM base.published")
        connection.execute(
            "INSERT INTO base.published SELECT make_timestamptz(?::BIGINT * 1000), max(last_at) FROM base.tag", [now_ms]
        )
    write_reader_file(store, step=step)
    delete_retired(store, before_ms=now_ms - round(layout.grace_s * 1000))
    step("retired parts deleted")


def _publish_samples(store: Store, *, now_ms: int, layout: Layout, step: Step) -> None:
    first_open_day = closed_before(_horizon_us(store))
    export(store, now_ms=now_ms, closed_before=first_open_day, layout=layout, step=step)
    merge(store, now_ms=now_ms, closed_before=first_open_day, layout=layout, step=step)


def _horizon_us(store: Store) -> int | None:
    """The newest source time of all, hot samples included. [µs]"""
    row = store.connection.execute(
        "SELECT epoch_us(greatest((SELECT max(last_at) FROM base.tag), (SELECT max(sampled_at) FROM base.hot_sample), "
        "(SELECT max(sampled_at) FROM base.hot_text)))"
    ).fetchone()
    return None if row is None or row[0] is None else int(row[0])
