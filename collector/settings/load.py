"""Reads a mill.toml, and gives either a valid mill or every fault at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from collector.settings.cross import cross_faults
from collector.settings.faults import MillFault, MillFaults, key_of, model_findings
from collector.settings.locate import KeyPath, key_lines, line_of
from collector.settings.model.mill import Mill

SCHEMA_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def load_mill(path: Path) -> Mill:
    """The mill that a mill.toml describes, with absolute paths.

    Raises
    ------
    MillFaults
        With every fault of the file, or with the reason why it cannot be read.
    """
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise _unreadable(path, None, "no such file: name one with --mill, or in BREAKHORN_MILL") from None
    except OSError as error:
        raise _unreadable(path, None, f"cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise _unreadable(path, line, "is not UTF-8: save the file with that encoding") from error
    return parse_mill(text, file=path)


def parse_mill(text: str, *, file: Path) -> Mill:
    """The mill that a TOML text describes. ``file`` gives its name in faults, and the folder for relative paths.

    Raises
    ------
    MillFaults
        With every fault of the text.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _not_toml(file, text, error) from error
    found: list[tuple[KeyPath, str]] = []
    mill: Mill | None = None
    try:
        mill = Mill.model_validate(_with_tuples(raw))
    except ValidationError as error:
        found = model_findings(error.errors(include_url=False))
    known = {path for path, _ in found}
    found += [fault for fault in cross_faults(raw) if fault[0] not in known]
    if mill is None or found:
        raise MillFaults(located(text, file, found))
    return _completed(mill, file.absolute().parent)


def located(text: str, file: Path, found: list[tuple[KeyPath, str]]) -> list[MillFault]:
    """Each finding with its line in the text."""
    lines = key_lines(text) if found else {}
    return [
        MillFault(file=file.name, line=line_of(lines, path), key=key_of(path), message=message)
        for path, message in found
    ]


def mill_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of mill.toml, for editors. What one table says of another only ``check`` can tell."""
    return {"$schema": SCHEMA_DIALECT, **Mill.model_json_schema(by_alias=True)}


def _with_tuples(value: Any) -> Any:
    """The same with tuples for lists: the values of a mill do not change, and strict checks convert nothing."""
    if isinstance(value, Mapping):
        return {key: _with_tuples(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return tuple(_with_tuples(inner) for inner in value)
    return value


def _completed(mill: Mill, folder: Path) -> Mill:
    """The mill with the defaults that depend on other values, and with absolute paths."""
    broker = mill.broker
    absolute = {key: folder / value for key, value in broker if isinstance(value, Path)}
    of_page = {key: folder / value for key, value in mill.page if isinstance(value, Path)}
    client_id = broker.client_id or f"breakhorn-{mill.topic_root.replace('/', '-')}"
    lake = mill.lake and mill.lake.model_copy(
        update={"folder": folder / mill.lake.folder, "writer": mill.lake.writer or client_id}
    )
    return mill.model_copy(
        update={
            "lake": lake,
            "broker": broker.model_copy(update={**absolute, "client_id": client_id}),
            "page": mill.page.model_copy(update=of_page),
            "store": mill.store.model_copy(update={"folder": folder / mill.store.folder}),
        }
    )


def _unreadable(path: Path, line: int | None, message: str) -> MillFaults:
    return MillFaults([MillFault(file=str(path), line=line, key="", message=message)])


def _not_toml(file: Path, text: str, error: tomllib.TOMLDecodeError) -> MillFaults:
    """The place stands in the message only ("… (at line 3, column 5)"); at the end of the document it has no number."""
    words = str(error)
    place = re.search(r" \(at line (\d+), column \d+\)$", words)
    line = int(place.group(1)) if place else text.count("\n") + 1
    reason = words.removesuffix(place.group()) if place else words
    return MillFaults([MillFault(file=file.name, line=line, key="", message=f"is not TOML: {reason}")])
