"""Lets readers have what is committed: at once and wholly, or bit by bit while commits go on."""

from __future__ import annotations

import logging

from collector.logs import about
from collector.publish.day import Day, closed_before
from collector.publish.export import export
from collector.publish.layout import Layout
from collector.publish.part_file import Step, delete_retired
from collector.publish.reader_file import write_reader_file
from collector.publish.tidied import put_in_place
from collector.publish.tidying import Tidying, TidyingFailed, next_plan, tidy_now
from collector.settings import Mill
from collector.store import Store
from collector.store.asked import is_held
from collector.store.settings_rows import fill_shifts

log = logging.getLogger("breakhorn.publish")

_LAYOUT = Layout()


def publish(
    store: Store,
    mill: Mill,
    *,
    now_ms: int,
    layout: Layout = _LAYOUT,
    step: Step = lambda name: None,
    tidy: bool = True,
) -> None:
    """Let readers have all that is committed. Uses the store's connection, so call it between commits.

    Killed at any instant, nothing is lost and nothing doubled: the next call does what was left undone.

    step
        Called with the name of each step that is done; tests stop there.
    tidy
        Merge and correct parts as well, however long that takes.

    Raises
    ------
    StoreFull, StoreDead, StoreReadOnly, StoreDamaged
        Readers keep the file before, and every sample is where it was.
    """
    with store.errors():
        first_open_day = _first_open_day(store)
        export(store, now_ms=now_ms, closed_before=first_open_day, layout=layout, step=step)
        if tidy:
            tidy_now(store, mill.store, now_ms=now_ms, closed_before=first_open_day, layout=layout, step=step)
    _show(store, mill, now_ms=now_ms, layout=layout, step=step)


def _show(store: Store, mill: Mill, *, now_ms: int, layout: Layout, step: Step = lambda name: None) -> None:
    """Put the readers' file in place, and delete what only readers of long ago could want."""
    with store.transaction() as connection:
        fill_shifts(connection, mill)
        connection.execute("DELETE FROM base.published")
        connection.execute(
            "INSERT INTO base.published SELECT make_timestamptz(?::BIGINT * 1000), max(last_at) FROM base.tag", [now_ms]
        )
    write_reader_file(store, step=step)
    if not is_held(store.folder):
        delete_retired(store, before_ms=now_ms - round(layout.grace_s * 1000))
    step("retired parts deleted")


def _first_open_day(store: Store) -> Day:
    """By the newest source time of all, hot samples included."""
    row = store.connection.execute(
        "SELECT epoch_us(greatest((SELECT max(last_at) FROM base.tag), (SELECT max(sampled_at) FROM base.hot_sample), "
        "(SELECT max(sampled_at) FROM base.hot_text)))"
    ).fetchone()
    return closed_before(None if row is None or row[0] is None else int(row[0]))


class Publishing:
    """Publishes while commits go on: whatever could take long is done beside the writer.

    What its calls take depends on how much is hot and on the small tables, never on the size of a day.
    """

    def __init__(self, store: Store, mill: Mill, *, layout: Layout = _LAYOUT) -> None:
        """Publish an open store."""
        self._store, self._mill, self._layout = store, mill, layout
        self._tidying = Tidying(store)
        self._exported, self._told = 0, ""

    @property
    def idle(self) -> bool:
        """Whether nothing is under way beside the writer."""
        return self._tidying.idle

    def turn(self, *, now_ms: int, stored: int) -> None:
        """Do the little that is due between two commits.

        stored
            How many samples have been stored so far in this run.
        """
        if stored - self._exported >= self._layout.hot_at_most:
            self._exported = stored
            with self._store.errors():
                self._export(now_ms)
        with self._store.errors():
            self._look_after_tidying(now_ms)

    def publish(self, *, now_ms: int, stored: int = 0) -> None:
        """Let readers have all that is committed.

        Raises
        ------
        StoreFull, StoreDead, StoreReadOnly, StoreDamaged
            Readers keep the file before, and every sample is where it was.
        """
        self._exported = stored
        with self._store.errors():
            first_open_day = self._export(now_ms)
            self._look_after_tidying(now_ms)
            self._start_next(first_open_day)
        _show(self._store, self._mill, now_ms=now_ms, layout=self._layout)

    def _export(self, now_ms: int) -> Day:
        first_open_day = _first_open_day(self._store)
        export(self._store, now_ms=now_ms, closed_before=first_open_day, layout=self._layout, step=lambda name: None)
        return first_open_day

    def _look_after_tidying(self, now_ms: int) -> None:
        """Put in place what is ready, and go on with what is due. What fails is tried again at the next publish."""
        try:
            tidied = self._tidying.take()
        except TidyingFailed as error:
            if str(error) != self._told:
                self._told = str(error)
                log.warning("parts are not tidied: %s", error, extra=about("not tidied"))
            return
        if tidied is not None:
            self._told = ""
            put_in_place(self._store, tidied, now_ms=now_ms)
            self._start_next(_first_open_day(self._store))

    def _start_next(self, first_open_day: Day) -> None:
        if self._tidying.idle:
            plan = next_plan(self._store, self._mill.store, closed_before=first_open_day, layout=self._layout)
            if plan is not None:
                self._tidying.start(plan)

    def stop(self) -> None:
        """Give up what is under way beside the writer: nothing is lost by it."""
        self._tidying.stop()
