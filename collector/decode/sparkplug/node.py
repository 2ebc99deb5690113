"""The format ``sparkplug``: the messages of one Sparkplug B edge node (ISO/IEC 20237), and what is known of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import msgspec

from collector.decode.parts import rejected
from collector.decode.place import Place, unknown_machine
from collector.decode.sparkplug.gathering import Gathering
from collector.decode.sparkplug.known import Born, Owner, births_in
from collector.decode.sparkplug.sequence import NUMBERS, Patience, Sequence, after
from collector.decode.sparkplug.values import DataType
from collector.decode.sparkplug.wire import NAMESPACE, Payload, parse
from collector.decode.unusable import Unusable, several, shown
from collector.message import Decoded, Flag, Message, Request, Scan, Value

BD_SEQ = "bdSeq"
REBIRTH = "Node Control/Rebirth"

_OF_NODE = ("NBIRTH", "NDATA", "NDEATH", "NCMD")
_OF_DEVICE = ("DBIRTH", "DDATA", "DDEATH", "DCMD")


class _Life(msgspec.Struct, array_like=True):
    """What is kept of an edge node over a restart. ``owners``: its births, its own under the empty name."""

    bd_seq: int | None
    owners: dict[str, list[Born]]


class _Last(msgspec.Struct, array_like=True):
    """The newest sequence number and when its message was received. [ms]"""

    seq: int | None
    received_ms: int


_read_life = msgspec.msgpack.Decoder(_Life).decode
_read_last = msgspec.msgpack.Decoder(_Last).decode

BELIEVED_MS = 600_000
"""What was kept over a restart is not believed after a longer silence: one number in 256 fits by chance. [ms]"""


class EdgeNode:
    """Decodes the messages of one edge node and its devices; remembers births, and asks for one when it must.

    The values that come between a gap in the sequence and the rebirth are taken by the births before it: within one
    session an edge node that changes its aliases must give birth anew, and after another session began there is no
    birth to go by.
    """

    def __init__(self, group: str, edge: str, *, places: Mapping[str, Place], own: Place | None) -> None:
        """Knows nothing yet.

        places
            By machine: a device is called like the machine that it speaks for.
        own
            Where the edge node's own metrics belong; None if nowhere.
        """
        self.group, self.edge = group, edge
        self._places, self._own = places, own
        self._owners: dict[str, Owner] = {}
        self._bd_seq: int | None = None
        self._sequence, self._patience = Sequence(), Patience()
        self._restored = self._unsure = self._changed = False
        self._last, self._kept = _Last(None, 0), _Last(None, 0)

    def route(self, kind: str, device: str | None) -> Callable[[Message], Decoded] | str:
        """The function that decodes the messages of a topic, or why there is none."""
        if kind not in (*_OF_NODE, *_OF_DEVICE):
            return f"no Sparkplug message is called {shown(kind)}: send {', '.join((*_OF_NODE[:3], *_OF_DEVICE[:3]))}"
        if (device is None) is (kind in _OF_DEVICE):
            return f"{kind} needs a device in its topic" if device is None else f"{kind} has no device in its topic"
        if kind.endswith("CMD"):
            return _nothing
        use = {"BIRTH": self._birth, "DATA": self._data, "DEATH": self._death}[kind[1:]]
        return lambda message: self._decode(message, kind, device or "", use)

    def _decode(
        self, message: Message, kind: str, device: str, use: Callable[[Any, str, Message, Decoded], None]
    ) -> Decoded:
        decoded = Decoded()
        self._unsure = False
        try:
            payload = parse(message.payload)
            self._follow(kind, payload, message)
            use(payload, device, message, decoded)
        except Unusable as error:
            decoded.rejected.append(rejected(message, str(error)))
        if kind != "NDEATH" and self._needs_birth(message) and self._patience.may_ask(message.received_ms):
            decoded.requests.append(rebirth_request(self.group, self.edge, message.received_ms))
        return decoded

    def _follow(self, kind: str, payload: Any, message: Message) -> None:
        if kind == "NDEATH":
            return
        if not payload.HasField("seq") or payload.seq >= NUMBERS:
            raise Unusable("has no seq from 0 to 255: without it nobody can tell whether messages were lost")
        if kind == "NBIRTH":
            self._sequence.begin(payload.seq)
            self._last = _Last(payload.seq, message.received_ms)
            return
        if self._restored and not self._goes_on(payload.seq, message.received_ms):
            self._forget()
        self._restored = False
        self._sequence.follow(payload.seq, message.received_ms)
        self._last = _Last(self._sequence.last, message.received_ms)

    def _goes_on(self, seq: int, received_ms: int) -> bool:
        """Whether a message is the one after the last that was kept."""
        return seq == after(self._last.seq or 0) and 0 <= received_ms - self._last.received_ms <= BELIEVED_MS

    def _needs_birth(self, message: Message) -> bool:
        return self._unsure or "" not in self._owners or self._sequence.overdue(message.received_ms)

    def _birth(self, payload: Any, device: str, message: Message, decoded: Decoded) -> None:
        if not device:
            self._begin_session(payload)
        place = self._place(device)
        owner = self._owners[device] = Owner(place)
        self._changed = True
        born, nameless = births_in(payload)
        owner.learn(born)
        if place is None:
            left_out = [one for one in born if not one.name.startswith((BD_SEQ, "Node Control/"))]
            if left_out:
                raise Unusable(
                    f"edge node {self.edge} has {len(left_out)} metrics of its own, which are left out: "
                    'to keep them, give its [[source]] machine = "…"'
                )
            return
        gathering = Gathering(faults=["a metric has no name"] * bool(nameless))
        gathering.take(payload, owner, place)
        gathering.restate(payload.timestamp)
        self._add(gathering, owner, message, decoded)

    def _begin_session(self, payload: Any) -> None:
        self._owners.clear()
        self._bd_seq = bd_seq_of(payload)
        self._restored = False
        self._patience.answered()

    def _data(self, payload: Any, device: str, message: Message, decoded: Decoded) -> None:
        if payload.HasField("body") and not payload.metrics:
            raise Unusable("has a body in the place of metrics: send it neither compressed nor otherwise wrapped")
        owner = self._owners.get(device) or Owner(self._place(device))
        if owner.place is None:
            return
        gathering = Gathering()
        if payload.metrics:
            gathering.take(payload, owner, owner.place)
        else:
            gathering.groups[payload.timestamp, False] = {}
        self._add(gathering, owner, message, decoded)

    def _add(self, gathering: Gathering, owner: Owner, message: Message, decoded: Decoded) -> None:
        assert owner.place is not None, "only values that belong somewhere are gathered"
        scans = gathering.scans(owner.place, message)
        decoded.scans.extend(scans)
        owner.newest_ms = max(owner.newest_ms, scans[-1].at_ms if scans else 0)
        if gathering.unknown:
            self._unsure = True
            unknown = several(gathering.unknown).replace(";", ",")
            gathering.faults.insert(0, f"{unknown}: no birth has told what it is; a rebirth is asked for")
        if gathering.faults:
            raise Unusable(several(list(dict.fromkeys(gathering.faults))))

    def _death(self, payload: Any, device: str, message: Message, decoded: Decoded) -> None:
        if device:
            self._device_death(payload, device, message, decoded)
            return
        said = bd_seq_of(payload)
        if said is None:
            raise Unusable("has no bdSeq: nobody can tell which connection ended")
        if self._bd_seq not in (None, said):
            return
        for owner in self._owners.values():
            if owner.place is not None:
                # The payload was written when the connection began, so its time says nothing of the end.
                arrived_ms, flags, _ = owner.place.moment(None, message)
                decoded.scans.extend(_stale(owner, arrived_ms, flags, message))
        self._forget()

    def _device_death(self, payload: Any, device: str, message: Message, decoded: Decoded) -> None:
        owner = self._owners.get(device)
        if owner is None or owner.place is None:
            return
        at_ms, flags, _ = owner.place.moment(payload.timestamp or None, message)
        decoded.scans.extend(_stale(owner, at_ms, flags, message))
        del self._owners[device]
        self._changed = True

    def _forget(self) -> None:
        self._owners.clear()
        self._sequence, self._bd_seq, self._changed = Sequence(), None, True

    def _place(self, device: str) -> Place | None:
        if not device:
            return self._own
        place = self._places.get(device)
        if place is None:
            raise Unusable(unknown_machine(device, self._places))
        return place

    def states(self) -> dict[str, bytes]:
        """What has changed since it was last asked for, of what must be kept so that a restart can go on."""
        name, states = f"{NAMESPACE}/{self.group}/{self.edge}", {}
        if self._last != self._kept:
            self._kept = self._last
            states[f"{name} last"] = msgspec.msgpack.encode(self._kept)
        if self._changed:
            life = _Life(self._bd_seq, {device: owner.born for device, owner in self._owners.items()})
            states[name] = msgspec.msgpack.encode(life)
            self._changed = False
        return states

    def restore(self, states: Mapping[str, bytes]) -> None:
        """Go on from what was kept. It is believed only if the next message's number follows the last one kept."""
        name = f"{NAMESPACE}/{self.group}/{self.edge}"
        try:
            life = _read_life(states[name])
            self._last = self._kept = _read_last(states[f"{name} last"])
        except (KeyError, msgspec.DecodeError):
            return  # a rebirth is asked for, as if nothing had been kept
        self._bd_seq, self._sequence.last = life.bd_seq, self._last.seq
        for device, born in life.owners.items():
            owner = self._owners[device] = Owner(self._places.get(device) if device else self._own)
            owner.learn(born)
        self._restored = True


def bd_seq_of(payload: Any) -> int | None:
    """The number of the connection that a birth or death of an edge node belongs to; None if it does not say."""
    for metric in payload.metrics:
        if metric.name == BD_SEQ:
            field = metric.WhichOneof("value")
            return int(getattr(metric, field)) if field in ("long_value", "int_value") else None
    return None


def rebirth_request(group: str, edge: str, at_ms: int) -> Request:
    """The command that asks an edge node to send all its births again."""
    payload = Payload(timestamp=at_ms)
    payload.metrics.add(name=REBIRTH, timestamp=at_ms, datatype=DataType.BOOLEAN, boolean_value=True)
    return Request(topic=f"{NAMESPACE}/{group}/NCMD/{edge}", payload=payload.SerializeToString())


def asks_for_rebirth(data: bytes) -> bool:
    """Whether a command to an edge node asks for its births."""
    try:
        metrics = parse(data).metrics
    except Unusable:
        return False
    return any(metric.name == REBIRTH and metric.boolean_value for metric in metrics)


def _stale(owner: Owner, at_ms: int, flags: int, message: Message) -> list[Scan]:
    """From here on nothing is known of the owner's tags: after its newest values, even if its clock is ahead."""
    tags = owner.tags()
    if owner.place is None or not tags:
        return []
    after_ms = max(at_ms, owner.newest_ms + 1)
    values: dict[str, Value] = dict.fromkeys(tags)
    flags |= int(Flag.BAD_QUALITY)
    return [Scan(owner.place.machine, after_ms, values, owner.place.source, message.received_ms, flags)]


def _nothing(message: Message) -> Decoded:
    """A command, ours or another host's: it is for the edge node."""
    return Decoded(ours=True)
