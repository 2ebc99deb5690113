"""What stands written in a PDF that typst made, read from its content as a viewer copies it."""

from __future__ import annotations

import re
import zlib

_STREAM = re.compile(rb"(\d+) 0 obj\n<<(?:(?!endobj).)*?/Length (\d+)(?:(?!endobj).)*?>>\nstream\n", re.DOTALL)
_FONT = re.compile(rb"(\d+) 0 obj\n<</Type/Font/Subtype/Type0(?:(?!endobj).)*?/ToUnicode (\d+) 0 R", re.DOTALL)
_STRING = rb"\((?:\\.|[^\\()]|\((?:\\.|[^\\()])*\))*\)"
_TOKEN = re.compile(rb"/(f\d+) [\d.]+ Tf|\[?((?:" + _STRING + rb"|[-\d. ])*)\]?T[jJ]", re.DOTALL)
_ESCAPE = re.compile(rb"\\([0-7]{1,3}|.)", re.DOTALL)
_LETTER = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f"}


def pages_of(pdf: bytes) -> int:
    """How many pages a PDF has, by the root of its page tree."""
    return max(int(found) for found in re.findall(rb"/Type\s*/Pages\s*/Count\s+(\d+)", pdf))


def words_of(pdf: bytes) -> str:
    """All that is written, in reading order, without white space."""
    streams = {int(m[1]): _inflated(pdf[m.end() : m.end() + int(m[2])]) for m in _STREAM.finditer(pdf)}
    letters = {int(m[1]): _letters(streams[int(m[2])]) for m in _FONT.finditer(pdf)}
    (named,) = set(re.findall(rb"/Font<<([^>]*)>>", pdf))
    fonts = {name: letters[int(number)] for name, number in re.findall(rb"/(f\d+) (\d+) 0 R", named)}
    (page,) = (content for content in streams.values() if b" Tf " in content)
    found, font = [], {}
    for name, shown in _TOKEN.findall(page):
        if name:
            font = fonts[name]
        for text in re.findall(_STRING, shown, re.DOTALL):
            codes = _ESCAPE.sub(_unescaped, text[1:-1])
            found += [font[codes[n : n + 2]] for n in range(0, len(codes), 2)]
    return "".join("".join(found).split())


def _inflated(stream: bytes) -> bytes:
    return zlib.decompress(stream) if stream[:1] == b"\x78" else stream


def _letters(cmap: bytes) -> dict[bytes, str]:
    """Code of each glyph to what it says, by the font's table ToUnicode (ISO 32000-1, 9.10.3)."""
    return {
        bytes.fromhex(code.decode()): bytes.fromhex(text.decode()).decode("utf-16-be")
        for code, text in re.findall(rb"<([0-9A-Fa-f]{4})> <([0-9A-Fa-f]+)>\n", cmap.partition(b"beginbfchar")[2])
    }


def _unescaped(found: re.Match[bytes]) -> bytes:
    code = found[1]
    return bytes([int(code, 8)]) if code[:1].isdigit() else _LETTER.get(code, code)
