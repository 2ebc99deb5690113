"""Takes a machine over from another writer, as a person says."""

from __future__ import annotations

from datetime import UTC, datetime

from collector.lake.owner import Writer, alone, claim, writer_id_of
from collector.lake.place import Lake, LakeFault
from collector.lake.source import open_source
from collector.lake.tenure import Tenure, hand_over
from collector.settings import Mill


def take_over(
    mill: Mill, machine: str, *, from_at: datetime | None, had_by: str | None = None, now_ms: int
) -> list[Tenure]:
    """Say in the lake that a machine is ours from a time on; gives everything that was ever said of it.

    from_at
        None: from the first data that this store has of it.

    Raises
    ------
    LakeRefused
        There is nothing to take, or it was handed over later already.
    LakeFault
        The lake or the store cannot be read or written.
    """
    if mill.lake is None:
        raise LakeFault("mill.toml has no [lake]: name its folder there")
    with alone(mill.store.folder) as spool:
        lake, writer_id = Lake(mill.lake.folder), writer_id_of(spool)
        with open_source(mill.store.folder, spool) as source:
            name, zone, currency = source.identity()
            first_us = source.first_us(machine)
        claim(
            lake,
            Writer(writer=mill.lake.writer, writer_id=writer_id, mill=name, time_zone=zone, currency=currency),
        )
        if from_at is None:
            if first_us is None:
                raise LakeFault(f"nothing is stored of {machine} here yet: say since when it is ours, with --from")
            from_at = datetime.fromtimestamp(first_us / 1e6, UTC)
        return hand_over(
            lake,
            mill=name,
            machine=machine,
            writer=mill.lake.writer,
            writer_id=writer_id,
            from_at=from_at,
            had_by=had_by,
            now=datetime.fromtimestamp(now_ms / 1000, UTC).isoformat(),
        )
