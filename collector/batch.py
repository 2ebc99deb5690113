"""What one transaction holds: everything that some consecutive messages said and led to."""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.block import Block
from collector.fact import Fact, Produced
from collector.message import Context, Rejected, Request, Scan


@dataclass(slots=True, kw_only=True)
class Batch:
    """Filled by the pipeline, committed whole by the writer, acknowledged after that.

    blocks
        Samples of history, which count as received at their own time.
    trackers
        Serialised tracker state of each machine that changed, as it is after the batch; under names that no machine
        can have, what the decoder must keep over a restart.
    under_way
        What each machine has made since its last cut, as far as it is no fact yet; None if nothing.
    requests
        What sources must be asked for, once the batch is committed.
    deliveries
        (packet id, digest) of each message in order of receipt, to tell a redelivery after a reconnect.
    last_received_ms
        Time of receipt of the newest message; 0 if there is none. [ms]
    """

    scans: list[Scan] = field(default_factory=list)
    blocks: list[Block] = field(default_factory=list)
    facts: list[Fact] = field(default_factory=list)
    context: list[Context] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    trackers: dict[str, bytes] = field(default_factory=dict)
    under_way: dict[str, Produced | None] = field(default_factory=dict)
    requests: list[Request] = field(default_factory=list)
    deliveries: list[tuple[int, bytes]] = field(default_factory=list)
    messages: int = 0
    last_received_ms: int = 0
