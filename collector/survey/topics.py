"""What was heard on each topic: how often, in which format, and a few payloads to look at. Bounded in memory."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from collector.message import Message
from collector.survey.payload import Kind, Look, look

SAMPLES = 30
"""Payloads of a topic that are looked at and kept."""

MOST_TOPICS = 20_000


@dataclass(slots=True)
class Topic:
    """One topic.

    looks
        The first payloads, each with its time of receipt. [ms]
    """

    name: str
    messages: int = 0
    bytes: int = 0
    first_ms: int = 0
    last_ms: int = 0
    retained: int = 0
    looks: list[tuple[int, Look]] = field(default_factory=list)

    @property
    def kind(self) -> Kind:
        """The format of most of its messages; of two the one that can be read."""
        kinds = Counter(look.kind for _, look in self.looks)
        return max(kinds, key=lambda kind: (kind is not Kind.UNREADABLE, kinds[kind]))

    @property
    def why(self) -> str:
        """For a topic that cannot be read, the reason given first."""
        return next((look.why for _, look in self.looks if look.why), "")

    @property
    def per_min(self) -> float | None:
        """Messages a minute; None for fewer than two, and for a burst of less than a second. [1/min]"""
        spent_ms = self.last_ms - self.first_ms
        return (self.messages - 1) / (spent_ms / 60_000) if self.messages > 1 and spent_ms >= 1000 else None


class Topics:
    """All topics that were heard, the first 20,000 of them."""

    def __init__(self) -> None:
        """Nothing heard yet."""
        self.heard: dict[str, Topic] = {}
        self.left_out: set[str] = set()

    def kind_of(self, topic: str) -> Kind | None:
        """The format of a topic; None for one that was left out."""
        heard = self.heard.get(topic)
        return None if heard is None else heard.kind

    def take(self, message: Message) -> None:
        """Hear one message."""
        topic = self.heard.get(message.topic)
        if topic is None:
            if len(self.heard) >= MOST_TOPICS:
                self.left_out.add(message.topic[:200])
                return
            topic = self.heard[message.topic] = Topic(message.topic, first_ms=message.received_ms)
        topic.messages += 1
        topic.bytes += len(message.payload)
        topic.retained += message.retained
        topic.last_ms = message.received_ms
        if len(topic.looks) < SAMPLES:
            topic.looks.append((message.received_ms, look(message.topic, message.payload)))
