"""Topics and filters."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from collector.topic import matches, overlap

LEVEL = st.sampled_from(["a", "b", "", "$SYS"])
TOPIC = st.lists(LEVEL, min_size=1, max_size=4).map("/".join).filter(bool)
FILTER = st.builds(
    lambda levels, tail: "/".join([*levels, *tail]),
    st.lists(LEVEL | st.just("+"), min_size=1, max_size=4),
    st.sampled_from([[], ["#"]]),
).filter(bool)


@given(FILTER, TOPIC)
@example("+/a", "$SYS/a")
@example("#", "$SYS")
@example("$SYS/#", "$SYS/a")
def test_a_filter_matches_the_topics_that_paho_says_it_does(topic_filter: str, topic: str) -> None:
    """paho-mqtt is the reference; it follows MQTT 5, section 4.7."""
    assert matches(topic_filter, topic) == topic_matches_sub(topic_filter, topic)


@given(FILTER, FILTER, TOPIC)
def test_two_filters_that_match_one_topic_overlap(one: str, other: str, topic: str) -> None:
    if matches(one, topic) and matches(other, topic):
        assert overlap(one, other)
    assert overlap(one, other) == overlap(other, one)


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        ("a/+/b", "a/b/+", True),
        ("a/#", "a", True),
        ("a/+/#", "a", False),
        ("a/+", "a/b/c", False),
        ("+/b", "a/c", False),
        ("#", "a/b", True),
    ],
)
def test_filters_overlap_where_some_topic_matches_both(one: str, other: str, expected: bool) -> None:
    assert overlap(one, other) is expected
