"""Works out anew what the tracker found, from the stored samples: what came late is in its place then.

Nothing is changed until all is known; then a machine's rows are replaced in one transaction. Killed at any moment, the
store has either the old rows or the new ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from collector import sheet
from collector.rebuild import stored
from collector.rebuild.change import Change, aliases_after, compare
from collector.rebuild.rules_then import SettingsChanged, as_they_were, present
from collector.rebuild.track import Progress, track
from collector.settings import Mill
from collector.sheet import Sheet, UnreadableState
from collector.store import Store
from collector.writer.counts import Days

__all__ = ["Progress", "Rebuilt", "SamplesGone", "SettingsChanged", "rebuild"]


class SamplesGone(ValueError):
    """Rows reach further back than the samples do: they would be lost, so nothing was changed."""


@dataclass(slots=True, kw_only=True)
class Rebuilt:
    """What a rebuild of one machine did, or would do.

    rows
        Table to how many rows: before, after, of those before that are gone, of those after that are new.
    orphans
        Notes that change nothing afterwards, with the reason; ``new_orphans``: ids of those that did before.
    """

    machine: str
    dry_run: bool
    scans: int
    late: int
    change: Change
    rows: dict[str, tuple[int, int, int, int]]
    orphans: list[dict[str, object]] = field(default_factory=list)
    new_orphans: list[str] = field(default_factory=list)

    @property
    def same(self) -> bool:
        """Whether every row is as it was."""
        return not any(gone or new for _, __, gone, new in self.rows.values())


def rebuild(
    store: Store,
    mill: Mill,
    machine: str,
    *,
    now_ms: int,
    present_settings: bool = False,
    dry_run: bool = False,
    tell: Callable[[Progress], None] = lambda progress: None,
    step: Callable[[str], None] = lambda name: None,
) -> Rebuilt:
    """Work out the rows of one machine anew.

    present_settings
        Judge all of its time by mill.toml as it is, and not each time by the settings of then.
    step
        Called with the name of each step that is done; tests stop there.

    Raises
    ------
    SettingsChanged, SamplesGone
        Nothing was changed then.
    StoreError
        As ``Store.transaction`` does; nothing was changed then either.
    """
    periods = present(mill, machine) if present_settings else as_they_were(store, mill, machine)
    left = _left(store, machine, len(periods[-1].rules.detectors))
    found = track(store, periods, Days(mill.zone), left=left, tell=tell)
    before, after = stored.stored_rows(store, machine), stored.found_rows(found)
    _refuse_to_lose(machine, before, found.first_ms)
    change = compare(before["downtime"], after["downtime"])
    done = Rebuilt(
        machine=machine,
        dry_run=dry_run,
        scans=found.scans,
        late=found.late,
        change=change,
        rows={table: _difference(before[table], after[table]) for table in before},
    )
    step("all known")
    if not dry_run:
        sizes = len(before["downtime"]), len(after["downtime"])
        entry = _entry(change, sizes, now_ms=now_ms, present_settings=present_settings)
        now = [str(row["downtime_id"]) for row in after["downtime"]]
        aliases = aliases_after(stored.aliases_of(store, machine), change.moved, now)
        known = {note["note_id"] for note in stored.orphans(store, machine)}
        done.orphans = stored.put_in_place(store, machine, found, aliases, entry, step=step)
        done.new_orphans = [str(note["note_id"]) for note in done.orphans if note["note_id"] not in known]
    return done


def _entry(change: Change, sizes: tuple[int, int], *, now_ms: int, present_settings: bool) -> stored.Log:
    """What is logged of it; sizes are the downtimes before and after."""
    return stored.Log(
        present_settings=present_settings,
        rebuilt_ms=now_ms,
        before=sizes[0],
        after=sizes[1],
        added=len(change.added),
        removed=len(change.removed),
        moved=len(change.moved),
        changed=len(change.changed),
    )


def _left(store: Store, machine: str, detectors: int) -> Sheet | None:
    """The tracker's state as the collector left it; None if there is none, or none that this version reads."""
    state = store.tracker_states().get(machine)
    try:
        return None if state is None else sheet.unpack(state, detectors=detectors)
    except UnreadableState:
        return None


def _refuse_to_lose(machine: str, before: stored.Rows, first_ms: int | None) -> None:
    times = [int(str(row["started_at"])) for row in before["machine_state"]]
    if times and (first_ms is None or min(times) < first_ms):
        raise SamplesGone(
            f"the samples of {machine} do not reach as far back as what was found in them: restore them from a backup"
        )


def _difference(before: list[stored.Row], after: list[stored.Row]) -> tuple[int, int, int, int]:
    old, new = {repr(sorted(row.items())) for row in before}, {repr(sorted(row.items())) for row in after}
    return len(before), len(after), len(old - new), len(new - old)
