"""The machine-readable description: a Data Package descriptor (open standard, datapackage.org, version 2.0)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from analysis.dictionary.catalogue import Column
from analysis.dictionary.keys import Key
from analysis.package.choice import Chosen

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
_TYPES = {
    "VARCHAR": "string", "DOUBLE": "number", "FLOAT": "number", "BIGINT": "integer", "INTEGER": "integer",
    "UTINYINT": "integer", "SMALLINT": "integer", "HUGEINT": "integer", "BOOLEAN": "boolean", "DATE": "date",
    "TIMESTAMP WITH TIME ZONE": "datetime", "VARCHAR[]": "array",
}  # fmt: skip
_MEDIA = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}
_PRIMARY = {
    "downtime": ("downtime_id",), "machine": ("machine",), "tag": ("machine", "tag"), "cause": ("code",),
    "grade": ("grade",), "shift": ("shift_date", "shift"), "note": ("note_id",), "sheet_break": ("downtime_id",),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A file of the package."""

    view: str
    name: str
    path: str
    format: str
    bytes: int
    sha256: str


def descriptor(
    chosen: Sequence[Chosen], written: Sequence[Written], keys: Sequence[Key], *, title: str, text: str, created: str
) -> dict[str, Any]:
    """The whole description as plain values."""
    views = {one.view.name: one for one in chosen}
    return {
        "$schema": PROFILE,
        "name": "runnability",
        "title": title,
        "description": text,
        "created": created,
        "licenses": [
            {"name": "terms", "title": "As agreed between the mill and whoever it was given to", "path": "TERMS.md"}
        ],
        "resources": [_resource(views[file.view], file, keys, views) for file in written],
    }


def _resource(one: Chosen, file: Written, keys: Sequence[Key], views: dict[str, Chosen]) -> dict[str, Any]:
    return {
        "name": file.name,
        "path": file.path,
        "type": "table",
        "title": one.view.name,
        "description": one.view.meaning,
        "format": file.format,
        "mediatype": _MEDIA[file.format],
        **({"encoding": "utf-8"} if file.format == "csv" else {}),
        "bytes": file.bytes,
        "hash": f"sha256:{file.sha256}",
        "schema": _schema(one, keys if file.format == "csv" else (), views),
    }


def _schema(one: Chosen, keys: Sequence[Key], views: dict[str, Chosen]) -> dict[str, Any]:
    names = {column.name for column in one.columns}
    primary = _PRIMARY.get(one.view.name, ())
    foreign = [
        {"fields": list(key.columns), "reference": {"resource": key.target, "fields": list(key.target_columns)}}
        for key in keys
        if key.view == one.view.name and key.always and key.target in views and names >= set(key.columns)
        and {c.name for c in views[key.target].columns} >= set(key.target_columns)
    ]  # fmt: skip
    return {
        "fields": [_field(column) for column in one.columns],
        **({"primaryKey": list(primary)} if primary and names >= set(primary) else {}),
        **({"foreignKeys": foreign} if foreign else {}),
    }


def _field(column: Column) -> dict[str, Any]:
    kind = "number" if column.type.startswith("DECIMAL") else _TYPES.get(column.type, "any")
    return {
        "name": column.name,
        "type": kind,
        "description": column.meaning,
        **({"unit": column.unit} if column.unit else {}),
    }
