"""Finds the line on which each key of a TOML text stands. The text must be valid TOML: nothing is checked here."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping

KeyPath = tuple[str | int, ...]
"""Keys and list positions (from 0) that lead to a value."""

_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\n]*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}(?!")|' r"'''.*?'{3,5}(?!')|" r'"(?:\\.|[^"\\\n])*"|' r"'[^'\n]*'",
    re.DOTALL,
)


def key_lines(text: str) -> dict[KeyPath, int]:
    """The line, from 1, of every table, key and list element of a valid TOML text."""
    return _Scanner(text).scan()


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """The line of a path or, where the text does not have it, of the nearest table around it; None for the whole."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


class _Scanner:
    """Walks once through the text and notes where each key begins."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._newlines = [match.start() for match in re.finditer("\n", text)]
        self._lines: dict[KeyPath, int] = {}
        self._last_of: dict[KeyPath, int] = {}  # index of the newest [[table]] of each array of tables

    def scan(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        self._skip_space()
        while self._at < len(self._text):
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._key_value(table)
            self._skip_space()
        return self._lines

    def _line(self) -> int:
        return bisect_right(self._newlines, self._at - 1) + 1

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        assert match is not None, f"not TOML at character {self._at}"
        self._at = match.end()
        return match.group()

    def _skip_space(self) -> None:
        self._skip(_SPACE)

    def _note(self, path: KeyPath, line: int) -> None:
        self._lines.setdefault(path, line)

    def _header(self) -> KeyPath:
        line = self._line()
        is_array = self._text.startswith("[[", self._at)
        self._at += 2 if is_array else 1
        keys = self._dotted_key()
        self._at += 2 if is_array else 1
        path: KeyPath = ()
        for number, key in enumerate(keys, start=1):
            path = (*path, key)
            if is_array and number == len(keys):
                self._last_of[path] = self._last_of.get(path, -1) + 1
            self._note(path, line)
            if path in self._last_of:
                path = (*path, self._last_of[path])
        self._note(path, line)
        return path

    def _dotted_key(self) -> list[str]:
        keys: list[str] = []
        while True:
            self._skip_space()
            quoted = self._text[self._at] in "\"'"
            key = self._skip(_STRING if quoted else _BARE)
            keys.append(next(iter(tomllib.loads(f"{key} = 0"))) if quoted else key)
            self._skip_space()
            if self._text[self._at] != ".":
                return keys
            self._at += 1

    def _key_value(self, table: KeyPath) -> None:
        line = self._line()
        path = table
        for key in self._dotted_key():
            path = (*path, key)
            self._note(path, line)
        self._at += 1  # the equals sign
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        self._skip_space()
        match self._text[self._at]:
            case "[":
                self._list(path)
            case "{":
                self._inline_table(path)
            case '"' | "'":
                self._skip(_STRING)
            case _:
                self._skip(_SCALAR)

    def _list(self, path: KeyPath) -> None:
        self._at += 1
        index = 0
        while not self._closed("]"):
            self._note((*path, index), self._line())
            self._value((*path, index))
            index += 1

    def _inline_table(self, path: KeyPath) -> None:
        self._at += 1
        while not self._closed("}"):
            self._key_value(path)

    def _closed(self, bracket: str) -> bool:
        """Steps over space, a comma and the closing bracket; True if the bracket was there."""
        self._skip_space()
        if self._text[self._at] == ",":
            self._at += 1
            self._skip_space()
        if self._text[self._at] != bracket:
            return False
        self._at += 1
        return True
