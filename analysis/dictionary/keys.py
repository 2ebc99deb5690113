"""Which columns of a view name a row of another one. The catalogue cannot say that: views have no keys."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """Columns of a view that name one row of another.

    always
        Every row has its partner. Else ``why`` says when it has none: a null, or something the mill never described.
    """

    view: str
    columns: tuple[str, ...]
    target: str
    target_columns: tuple[str, ...]
    always: bool = True
    why: str = ""

    @property
    def condition(self) -> str:
        """The join, with the view as ``v`` and the other one as ``t``."""
        pairs = zip(self.columns, self.target_columns, strict=True)
        return " AND ".join(f"v.{own} = t.{other}" for own, other in pairs)


OF_MACHINE = (
    "sheet_detector", "signal", "tag", "sample", "sample_text", "machine_state", "production", "reel", "grade_run",
    "downtime", "sheet_break", "threading_attempt", "detector_fault", "rebuild", "note", "orphan_note", "clothing",
    "lab", "grade_order",
)  # fmt: skip
"""Views each of whose rows belongs to one machine."""


def _key(view: str, columns: str, target: str, target_columns: str = "", why: str = "") -> Key:
    own = tuple(columns.split())
    other = tuple(target_columns.split()) or own
    return Key(view=view, columns=own, target=target, target_columns=other, always=not why, why=why)


_UNHEARD = "a tag that mill.toml names and nobody ever sent"
_UNSET = "a grade that mill.toml does not describe, or none"
KEYS = (
    _key("threading_attempt", "downtime_id", "downtime"),
    _key("sheet_break", "downtime_id", "downtime"),
    _key("downtime_alias", "downtime_id", "downtime"),
    _key("note", "downtime_id", "downtime", why="an orphan, a missed break, a withdrawal, or merged away"),
    _key("orphan_note", "note_id", "note"),
    _key("downtime", "shift_date shift", "shift", why="no rota, or no shift then"),
    _key("downtime", "cause", "cause", "code", why="not coded, or a code that mill.toml no longer has"),
    _key("downtime", "grade", "grade", why=_UNSET),
    _key("grade_run", "grade", "grade", why=_UNSET),
    _key("production", "grade", "grade", why=_UNSET),
    _key("grade_order", "grade", "grade", why=_UNSET),
    _key("sample", "tag_id", "tag"),
    _key("numbered_sample", "tag_id", "tag"),
    _key("sample_text", "machine tag", "tag"),
    _key("sheet_detector", "machine tag", "tag", why=_UNHEARD),
    _key("signal", "machine tag", "tag", why=_UNHEARD),
    _key("detector_fault", "machine tag", "tag", why=_UNHEARD),
    _key("message_count", "machine", "machine", why="the row of what belongs to no machine"),
    _key("broke_tower", "machine", "machine", why="every machine has one like it"),
    *(_key(view, "machine", "machine") for view in OF_MACHINE),
)

EXAMPLES = {
    "on_reel_hours": (
        "SELECT round(on_reel_hours('pm2', TIMESTAMPTZ '2026-03-02 22:00:00Z', TIMESTAMPTZ '2026-03-03 22:00:00Z'), 2) "
        "AS hours"
    ),
    "samples_around": (
        "SELECT offset_s, value FROM samples_around('pm2-20260303T000000Z', INTERVAL 20 MINUTE, INTERVAL 10 MINUTE) "
        "WHERE tag = 'press.draw' ORDER BY offset_s"
    ),
}
"""A use of each macro."""
