"""What a person can mend ends a command with one line and exit code 1; anything else is a fault of ours."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import click

from collector.mqtt.link import NoPassword
from collector.mqtt.replay import NoBroker
from collector.settings import MillFaults
from collector.stream import StreamFault


@contextmanager
def way_out() -> Iterator[None]:
    """Turn what a person can mend into one line and exit code 1."""
    from collector.sheet import UnreadableState  # noqa: PLC0415
    from collector.store import StoreError  # noqa: PLC0415  (DuckDB takes a fifth of a second to import)

    try:
        yield
    except MillFaults as faults:
        raise click.ClickException("\n".join(str(fault) for fault in faults.faults)) from faults
    except (StoreError, UnreadableState, NoBroker, NoPassword, StreamFault, OSError) as error:
        raise click.ClickException(str(error)) from error
