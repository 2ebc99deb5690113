"""The dictionary as text, as Markdown, as a page and as plain values."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any

from analysis.dictionary.catalogue import Dictionary, Macro, View
from analysis.dictionary.picture import entity_picture, told
from analysis.result import Table

_RULES = (
    "Instants end in `_at`, are TIMESTAMPTZ and in UTC; `shift_date` and `day` are the mill's local days.",
    "Quantities carry their unit in the name and in brackets. Null means unknown or not set, never nought.",
    "Only the schema `main` is promised; `base` is how it is made, and may change.",
)


def tables(known: Dictionary, view: str | None) -> list[Table]:
    """For the terminal: all views, or the columns and keys of one, or a macro with its example."""
    if view is None:
        rows = tuple((v.name, str(len(v.columns)), v.meaning) for v in known.views)
        macros = tuple((f"{m.name}({', '.join(m.parameters)})", m.meaning) for m in known.macros)
        return [
            Table(title="Views", columns=("view", "columns", "meaning"), rows=rows, numbers=frozenset({1})),
            Table(title="Macros", columns=("macro", "meaning"), rows=macros),
        ]
    if macro := next((m for m in known.macros if m.name == view), None):
        return [Table(title=macro.meaning, columns=("for example",), rows=((macro.example,),))]
    found = next(v for v in known.views if v.name == view)
    columns = tuple((c.name, c.type, c.unit, c.meaning) for c in found.columns)
    keys = tuple((told(key),) for key in known.keys if view in (key.view, key.target))
    return [
        Table(title=f"{view}: {found.meaning}", columns=("column", "type", "unit", "meaning"), rows=columns),
        Table(title="Keys", columns=("key",), rows=keys),
    ]


def values(known: Dictionary) -> dict[str, Any]:
    """All of it for programs."""
    return {
        "views": [
            {
                "name": view.name,
                "meaning": view.meaning,
                "columns": [
                    {"name": c.name, "type": c.type, "unit": c.unit or None, "meaning": c.meaning} for c in view.columns
                ],
            }
            for view in known.views
        ],
        "macros": [
            {"name": m.name, "parameters": list(m.parameters), "meaning": m.meaning, "example": m.example or None}
            for m in known.macros
        ],
        "keys": [
            {
                "view": key.view,
                "columns": list(key.columns),
                "target": key.target,
                "target_columns": list(key.target_columns),
                "always": key.always,
                "without": key.why or None,
            }
            for key in known.keys
        ],
    }


def markdown(known: Dictionary, *, picture: str, answer: Callable[[str], str] = lambda example: "") -> str:
    """The whole dictionary as Markdown.

    picture
        Where the entity picture lies, from the page.
    answer
        Gives what an example answers, as Markdown; by default examples stand alone.
    """
    parts = ["# Data dictionary\n", *_RULES, ""]
    parts += ["## How the views belong together\n", f"![Views and their keys; the same as text below]({picture})\n"]
    parts += ["A key names one row of another view; where not every row has its partner, the line is dashed.\n"]
    parts += [f"- {told(key)}" for key in known.keys if key.target != "machine"]
    whose = ", ".join(f"`{key.view}`" for key in known.keys if key.target == "machine" and key.always)
    parts += [f"- The column machine of each of {whose} names one row of machine(machine)."]
    parts += [f"- {told(key)}" for key in known.keys if key.target == "machine" and not key.always]
    parts += ["", "## Views\n", *map(_view, known.views), "## Macros\n"]
    parts += [_macro(macro, answer(macro.example)) for macro in known.macros]
    return "\n".join(parts).rstrip() + "\n"


def _view(view: View) -> str:
    rows = [f"| `{c.name}` | {c.type} | {c.unit} | {_cell(c.meaning)} |" for c in view.columns]
    return "\n".join(
        [
            f"### {view.name}\n",
            f"{view.meaning}\n",
            "| column | type | unit | meaning |",
            "| --- | --- | --- | --- |",
            *rows,
            "",
        ]
    )


def _macro(macro: Macro, answer: str) -> str:
    lines = [f"### {macro.name}\n", f"{macro.meaning}\n"]
    if macro.example:
        lines += ["```sql", macro.example, "```\n", *([f"{answer}\n"] if answer else [])]
    return "\n".join(lines)


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def page(known: Dictionary, mill: str) -> str:
    """The dictionary as one page that needs nothing else."""
    links = " · ".join(f'<a href="#{v.name}">{v.name}</a>' for v in known.views)
    keys = "".join(f"<li>{escape(told(key))}</li>" for key in known.keys)
    rules = "".join(f"<p>{escape(rule.replace('`', ''))}</p>" for rule in _RULES)
    macros = "".join(f"<h3>{m.name}</h3><p>{escape(m.meaning)}</p><pre>{escape(m.example)}</pre>" for m in known.macros)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Data dictionary</title>'
        '<meta name="viewport" content="width=device-width"><style>'
        "body{font:16px/1.45 sans-serif;max-width:70rem;margin:1rem auto;padding:0 1rem;color:#1f2933}"
        "table{border-collapse:collapse;width:100%}td,th{border-bottom:1px solid #cbd2d9;padding:.25rem .5rem;"
        "text-align:left;vertical-align:top}svg{max-width:100%;height:auto}pre{white-space:pre-wrap}"
        f"</style></head><body><h1>{escape(mill)}: data dictionary</h1>{rules}<nav>{links}</nav>"
        f"<h2>How the views belong together</h2>{entity_picture(known)}<details><summary>The same as text</summary>"
        f"<ul>{keys}</ul></details><h2>Views</h2>{''.join(map(_html_view, known.views))}<h2>Macros</h2>{macros}"
        "</body></html>\n"
    )


def _html_view(view: View) -> str:
    rows = "".join(
        f"<tr><th scope='row'>{c.name}</th><td>{escape(c.type)}</td><td>{escape(c.unit)}</td>"
        f"<td>{escape(c.meaning)}</td></tr>"
        for c in view.columns
    )
    head = "<tr><th>column</th><th>type</th><th>unit</th><th>meaning</th></tr>"
    return f"<h3 id='{view.name}'>{view.name}</h3><p>{escape(view.meaning)}</p><table>{head}{rows}</table>"
