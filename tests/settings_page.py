"""The reference of mill.toml, made from the settings model: every table and key, as the collector reads them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from collector.settings import mill_schema
from collector.settings.model.mill import TABLES

Schema = Mapping[str, Any]

_HEAD = """\
# Settings

<!-- Written by `python -m tests.pages` from collector/settings/model/; a test holds it. -->

Every table and key of mill.toml. The first column is a line as it may stand there; all of them together are one
valid file, but where one of two must be chosen, which a test checks. To begin with, `replay_data/mill.toml` is a whole
example with comments, and `breakhorn survey --draft FILE` writes one of what a broker says; `breakhorn check` names
every fault at once. Editors complete and check mill.toml by `breakhorn check --schema`.

Needed are {needed}, and in each table what is called so; an unknown key is a fault.
Texts have 1 to 200 characters; paths are relative to mill.toml. How the settings of a machine act is written out in
[TRACKING.md](TRACKING.md), what the sources bring in [MESSAGES.md](MESSAGES.md).
"""
_UNIT = re.compile(r" \[([^\]]+)\]$")
_LONGEST_NAME = 200
_OF_EVERY_SOURCE = "heartbeat_s"
_NEEDED = ("mill", "source", "machine")


def settings_page() -> str:
    """The whole page."""
    needed = ", ".join(f"`{_header((name,))}`" for name in _NEEDED)
    return "\n".join([_HEAD.format(needed=needed), *(_table(path, model) for path, model in TABLES.items() if path)])


def _table(path: tuple[str, ...], model: type[BaseModel]) -> str:
    """A heading, what the table is for, and a row a key."""
    lines = [f"## {_title(path)}", "", " ".join((model.__doc__ or "").split()), ""]
    lines += ["| line | what it says | type | unit | range | default |", "| --- | --- | --- | --- | --- | --- |"]
    schema = model.model_json_schema(by_alias=True)
    required = set(schema.get("required", ()))
    fields = {field.alias or name: field for name, field in model.model_fields.items()}
    keys = sorted(schema["properties"].items(), key=lambda pair: pair[0] == _OF_EVERY_SOURCE)
    for key, said in keys:
        if not _is_table(said, schema):
            lines.append(_row(key, said, fields[key], needed=key in required))
    return "\n".join(lines) + "\n"


def _title(path: tuple[str, ...]) -> str:
    if path[0] == "source":
        return f'`[[source]]` with `format = "{path[1]}"`'
    return f"`{_header(path)}`"


def _header(path: tuple[str, ...]) -> str:
    """As it stands in the file: ``[mill]``, ``[[machine.tag]]``."""
    schema = mill_schema()
    node: Schema = schema
    for name in path:
        node = _followed(node["properties"][name], schema)
        is_list = node.get("type") == "array"
        node = _followed(node["items"], schema) if is_list else node
    return f"[[{'.'.join(path)}]]" if is_list else f"[{'.'.join(path)}]"


def _followed(node: Schema, schema: Schema) -> Schema:
    """A node, or what it refers to; of a choice the one that is not null."""
    chosen = next((one for one in node.get("anyOf", ()) if one.get("type") != "null"), node)
    if "$ref" in chosen:
        found: Schema = schema["$defs"][chosen["$ref"].rpartition("/")[2]]
        return found
    return chosen


def _is_table(said: Schema, schema: Schema) -> bool:
    node = _followed(said, schema)
    inner = _followed(node["items"], schema) if "items" in node else node
    return "properties" in inner


def _row(key: str, said: Schema, field: FieldInfo, *, needed: bool) -> str:
    """One line of the table. A key needs a description, and an example where its default is none."""
    node = _followed(said, {})
    if "const" in node:
        return f"| `{key} = {_toml(node['const'])}` | The format of its messages. | text | | | needed |"
    example = field.examples[0] if field.examples else said["default"]
    assert example not in (None, ""), f"{key}: give its Field an example"
    described = said["description"]
    unit = _UNIT.search(described)
    default = "needed" if needed else _default(said)
    cells = (
        f"`{key} = {_toml(example)}`",
        described[: unit.start()] if unit else described,
        _kind(node),
        unit.group(1) if unit else "",
        _range(node),
        default,
    )
    return f"| {' | '.join(cells)} |"


def _default(said: Schema) -> str:
    default = said.get("default")
    return "" if default in (None, "", []) else f"`{_toml(default)}`"


def _kind(node: Schema) -> str:
    """What a value is, in words."""
    if "enum" in node:
        return " or ".join(_toml(word) for word in node["enum"])
    if node.get("type") == "array":
        return f"{len(node['prefixItems'])} numbers" if "prefixItems" in node else f"list of {_plural(node['items'])}"
    match node.get("format"), node["type"]:
        case "path", _:
            return "path"
        case "date", _:
            return "day"
        case _, "integer":
            return "whole number"
        case _, "boolean":
            return "true or false"
        case _, "string":
            return "time of day" if "[0-5][0-9]" in node.get("pattern", "") else "text"
        case _, kind:
            return str(kind)


def _plural(item: Schema) -> str:
    if isinstance(item["type"], list):
        return "texts, whole numbers, true or false"
    return {"time of day": "times of day"}.get(_kind(item), f"{_kind(item)}s")


def _range(node: Schema) -> str:
    return ", ".join(_limits(node["prefixItems"][0] if "prefixItems" in node else node))


def _limits(node: Schema) -> Iterator[str]:
    low, high = node.get("minimum"), node.get("maximum")
    if low is not None and high is not None:
        yield f"{low:,g} to {high:,.10g}"
    elif low is not None:
        yield f"{low:g} or more"
    if "exclusiveMinimum" in node:
        yield f"more than {node['exclusiveMinimum']:g}"
    if "exclusiveMaximum" in node:
        yield f"less than {node['exclusiveMaximum']:g}"
    if high is not None and low is None:
        yield f"at most {high:g}"
    if node.get("maxLength", _LONGEST_NAME) != _LONGEST_NAME:
        yield f"at most {node['maxLength']} characters"
    if node.get("minItems") and "prefixItems" not in node:
        yield "at least one"


def _toml(value: object) -> str:
    """A value as TOML writes it."""
    match value:
        case date():
            return value.isoformat()
        case list() | tuple():
            return f"[{', '.join(map(_toml, value))}]"
        case _:
            return json.dumps(value, ensure_ascii=False)
