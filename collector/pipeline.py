"""From messages to a batch: decodes, lets each machine's tracker see its scans, and gathers what is to be committed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from collector import sheet
from collector.batch import Batch
from collector.block import Block
from collector.decode import Decoder
from collector.fact import Fact, State
from collector.message import Message, Scan
from collector.settings import Machine, Mill
from collector.sieve import Sieve
from collector.translate import Translation


class Pipeline:
    """Holds the trackers between batches. After a failed commit it is ahead of the store: make a new one."""

    def __init__(self, mill: Mill, states: Mapping[str, bytes]) -> None:
        """Go on from the tracker states of the store. Raises UnreadableState if one is of another version."""
        self._decoder = Decoder(mill, states)
        self._translation = Translation(mill)
        self._rules = {machine.id: rules_of(machine, mill.heartbeats_s) for machine in mill.machines}
        self._sheets = {machine: restored(rules, states.get(machine)) for machine, rules in self._rules.items()}
        self._sieves: dict[str, Sieve] = {}
        self._changed: set[str] = set()

    @property
    def subscriptions(self) -> tuple[str, ...]:
        """The topic filters to subscribe to."""
        return self._decoder.subscriptions

    def take(self, message: Message, batch: Batch) -> None:
        """Add all that a message says and leads to."""
        decoded = self._decoder.decode(message)
        if decoded.ours:
            return
        batch.messages += 1
        batch.last_received_ms = max(batch.last_received_ms, message.received_ms)
        batch.rejected.extend(decoded.rejected)
        batch.context.extend(decoded.context)
        batch.requests.extend(decoded.requests)
        self.take_scans(decoded.scans, batch)

    def take_scans(self, scans: Iterable[Scan], batch: Batch) -> None:
        """Add scans, in order of arrival, under the mill's names and in its units, and what they lead to."""
        for sent in scans:
            scan = self._translation.of(sent)
            batch.scans.append(scan)
            self._changed.add(scan.machine)
            batch.facts.extend(sheet.advance(self._rules[scan.machine], self._sheets[scan.machine], (scan,)))

    def take_block(self, block: Block, batch: Batch) -> None:
        """Add samples of history, and what they lead to: each tracker sees only what may matter to it."""
        told = self._translation.of_block(block)
        batch.blocks.append(told)
        for machine in dict.fromkeys(machine for machine, _ in told.tags):
            rules, state = self._rules[machine], self._sheets[machine]
            sieve = self._sieves.setdefault(machine, Sieve(rules=rules, source=told.source))
            batch.facts.extend(sheet.advance(rules, state, sieve.scans(told, state)))
            self._changed.add(machine)

    def flush(self, batch: Batch) -> None:
        """Nothing more will come (the end of a ``load``): let the scans that wait for order be seen."""
        for machine, rules in self._rules.items():
            facts = sheet.flush(rules, self._sheets[machine])
            batch.facts.extend(facts)
            self._changed.add(machine)

    def seal(self, batch: Batch) -> None:
        """Add the states of trackers and decoder as they are now: the batch is ready to be committed."""
        batch.trackers.update(self._decoder.states())
        for machine in sorted(self._changed):
            rules, state = self._rules[machine], self._sheets[machine]
            batch.trackers[machine] = sheet.pack(state)
            batch.under_way[machine] = sheet.under_way(rules, state)
        self._changed.clear()

    def outlook(self, machine: str, now_ms: int) -> tuple[State, list[Fact]]:
        """The provisional state of a machine, for showing live."""
        return sheet.outlook(self._rules[machine], self._sheets[machine], now_ms)


def restored(rules: sheet.Rules, state: bytes | None) -> sheet.Sheet:
    """The tracker's state from the store, or a fresh one."""
    count = len(rules.detectors)
    if state is None:
        return sheet.fresh(count)
    try:
        return sheet.unpack(state, detectors=count)
    except sheet.UnreadableState as error:
        raise sheet.UnreadableState(
            f"the tracker state of {rules.machine} in the store is of another version, or for other sheet detectors "
            f"({error}): run breakhorn rebuild --machine {rules.machine} --present-settings"
        ) from error


def rules_of(machine: Machine, heartbeats_s: Mapping[int, float]) -> sheet.Rules:
    """The tracker's rules from a machine of mill.toml, and how often its sources send: seconds become milliseconds."""
    return sheet.Rules(
        machine=machine.id,
        detectors=tuple(
            sheet.Detector(tag=detector.tag, section=detector.section, position_m=detector.position_m)
            for detector in machine.sheet_detectors
        ),
        roles=dict(machine.signals.tracked()),
        trim_m=machine.trim_m,
        running_above_m_min=machine.running_above_m_min,
        reorder_ms=_ms(machine.reorder_s),
        debounce_ms=_ms(machine.debounce_s),
        blind_margin_ms=_ms(machine.blind_margin_s),
        stale_after_ms=_ms(machine.stale_after_s),
        trip_window_ms=_ms(machine.trip_window_s),
        trip_drop_pct=machine.trip_drop_pct,
        attempt_pause_ms=_ms(machine.attempt_pause_s),
        on_reel_confirm_ms=_ms(machine.on_reel_confirm_s),
        heartbeats={source: _ms(heartbeat_s) for source, heartbeat_s in heartbeats_s.items()},
    )


def _ms(seconds: float) -> int:
    return round(seconds * 1000)
