"""Topics: the templates of mill.toml as MQTT filters, and the topics that the collector itself uses."""

from __future__ import annotations

CONTEXT_WORDS = ("note", "clothing", "lab", "order")
"""Last levels of ``<root>/<machine>/…`` on which the collector listens for what people and other systems say."""

_PLACEHOLDERS = ("{machine}", "{tag}")


def template_fault(template: str) -> str | None:
    """What is wrong with the topic of a source, or None. Placeholders and ``+`` must be whole levels."""
    levels = template.split("/")
    if template.startswith("$"):
        return "must not begin with $: such topics belong to the broker"
    if "#" in template:
        return "must not hold #: give every level, with + for those that say nothing"
    for level in levels:
        if level in _PLACEHOLDERS or level == "+":
            continue
        if "+" in level or "{" in level or "}" in level:
            return f'"{level}" must be a whole level: {{machine}}, {{tag}}, + or plain text'
    for placeholder in _PLACEHOLDERS:
        if levels.count(placeholder) > 1:
            return f"holds {placeholder} more than once"
    return None


def filter_of(template: str) -> str:
    """The MQTT filter of a topic template: ``a/{machine}/scan`` is ``a/+/scan``."""
    return "/".join("+" if level in _PLACEHOLDERS else level for level in template.split("/"))


def context_filters(root: str) -> tuple[str, ...]:
    """Filters of the notes, clothing changes, lab results and grade orders that come in."""
    return tuple(f"{root}/+/{word}" for word in CONTEXT_WORDS)


def outgoing_filters(root: str) -> tuple[str, ...]:
    """Filters of what the collector publishes: it ignores them coming in."""
    return (f"{root}/+/runnability/#", f"{root}/+/note/receipt", f"{root}/collector/#")


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a broker would deliver a topic to a subscription of the filter."""
    if topic.startswith("$") and topic_filter[:1] in ("+", "#"):
        return False
    return overlap(topic_filter, topic.replace("+", "_").replace("#", "_"))


def overlap(one: str, other: str) -> bool:
    """Whether there is a topic that both filters match."""
    ours, theirs = one.split("/"), other.split("/")
    for our, their in zip(ours, theirs, strict=False):
        if "#" in (our, their):
            return True
        if our != their and "+" not in (our, their):
            return False
    if len(ours) == len(theirs):
        return True
    longer, shorter = (ours, theirs) if len(ours) > len(theirs) else (theirs, ours)
    return longer[len(shorter)] == "#"
