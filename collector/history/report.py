"""What was understood of a file, in words: for a dry run. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

from collector.history.source import Source
from collector.history.spool import Span
from collector.message import Scan
from collector.settings import Mill

_TAGS_SHOWN = 12
_ROWS_SHOWN = 3
_VALUES_SHOWN = 6


def understood(source: Source, span: Span, first: Sequence[Scan], *, zone: str, mill: Mill) -> Iterator[str]:
    """A line each: what the file is, what its columns are, what stands in it, and the first rows as they are taken."""
    yield f"{source.path}"
    for words in source.words():
        yield f"  {words}"
    yield f"  clock: {zone if source.time.is_local else 'in the file'}"
    yield f"  values: {span.values:,} of {len(span.tags)} tags"
    if span.first_ms is not None and span.last_ms is not None:
        yield f"  from {_instant(span.first_ms)} to {_instant(span.last_ms)}"
    yield from _tags(span, mill)
    for scan in first[:_ROWS_SHOWN]:
        pairs = [f"{tag} = {_shown(value)}" for tag, value in list(scan.values.items())[:_VALUES_SHOWN]]
        more = " …" if len(scan.values) > _VALUES_SHOWN else ""
        yield f"  {_instant(scan.at_ms)} {scan.machine}: {', '.join(pairs)}{more}"


def _tags(span: Span, mill: Mill) -> Iterator[str]:
    names = [tag for _, tag in span.tags]
    more = f" and {len(names) - _TAGS_SHOWN} more" if len(names) > _TAGS_SHOWN else ""
    yield f"  tags: {', '.join(names[:_TAGS_SHOWN])}{more}"
    for machine in sorted({machine for machine, _ in span.tags}):
        settings = mill.machine(machine)
        roles = [tag for _, tag in settings.signals.items()] + [detector.tag for detector in settings.sheet_detectors]
        there = {tag for of, tag in span.tags if of == machine}
        missing = [tag for tag in roles if settings.name_sent(tag) not in there]
        if missing:
            yield f"  {machine}: nothing here of {', '.join(missing)}"


def _shown(value: object) -> str:
    return "bad" if value is None else f"{value:.10g}" if isinstance(value, float) else str(value)


def _instant(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
