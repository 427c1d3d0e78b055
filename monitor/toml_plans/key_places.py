"""On which line each key of a TOML text stands: tomllib does not tell.

One pass over a text that tomllib has read without a complaint (TOML v1.0.0): headers, keys, and values only as far
as it takes to find their ends, so that nothing inside a string or a comment is taken for a key.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import suppress
from typing import Any, TypeAlias

__all__ = ["KeyPath", "key_lines_of", "nearest_line"]

KeyPath: TypeAlias = tuple[str | int, ...]
"""Keys from the top of a document, with the number of the entry behind the name of an array."""

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^"\\]|\\.|"(?!""))*"{3,5}'
    r"|'''(?:[^']|'(?!''))*'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}\n#]*")


def key_lines_of(text: str) -> dict[KeyPath, int]:
    """The line, from 1, of each key and of each table's header; RecursionError for one nested too deeply."""
    walk = _Walk(text.replace("\r\n", "\n"))
    with suppress(ValueError):  # where no key is told: the lines so far
        walk.run()
    return walk.lines


def nearest_line(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """The line of a key, of the table it belongs to where it is not there, or None."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


class _Walk:
    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self._text = text
        self._at = 0
        self._line, self._counted = 1, 0
        self._entries: dict[KeyPath, int] = {}

    def run(self) -> None:
        """To the end of the text; ValueError for what is no TOML."""
        table: KeyPath = ()
        while self._skip(_BLANK):
            if self._text.startswith("[", self._at):
                table = self._header()
            else:
                self._pair(table)

    def _skip(self, pattern: re.Pattern[str]) -> bool:
        """Past what matches, which may be nothing; whether there is more text."""
        found = pattern.match(self._text, self._at)
        self._at = found.end() if found else self._at
        return self._at < len(self._text)

    def _next(self, characters: str) -> bool:
        """Past one of these characters, where it comes next."""
        here = self._at < len(self._text) and self._text[self._at] in characters
        self._at += here
        return here

    def _note(self, path: KeyPath, at: int) -> None:
        self._line += self._text.count("\n", self._counted, at)
        self._counted = at
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], self._line)

    def _name(self) -> list[str]:
        """A key of one or more parts, read up to what follows it."""
        parts: list[str] = []
        while True:
            self._skip(_SPACE)
            found = _STRING.match(self._text, self._at) or _BARE.match(self._text, self._at)
            if found is None:
                raise ValueError("no key where one is expected")
            parts.append(_unquoted(found[0]))
            self._at = found.end()
            self._skip(_SPACE)
            if not self._next("."):
                return parts

    def _header(self) -> KeyPath:
        at = self._at
        self._next("[")
        array = self._next("[")
        *above, last = self._name()
        self._next("]")
        self._next("]")
        path: KeyPath = ()
        for part in above:
            path = self._entry_of((*path, part))
        path = (*path, last)
        if array:
            self._entries[path] = number = self._entries.get(path, -1) + 1
            self._note(path, at)
            path = (*path, number)
            # What stands inside an earlier entry counts its own arrays.
            for below in [p for p in self._entries if p[: len(path)] == path]:
                del self._entries[below]
        self._note(path, at)
        return path

    def _entry_of(self, path: KeyPath) -> KeyPath:
        """The latest entry of an array of tables; a table stands for itself."""
        return (*path, self._entries[path]) if path in self._entries else path

    def _pair(self, table: KeyPath) -> None:
        at = self._at
        path = (*table, *self._name())
        self._note(path, at)
        self._next("=")
        self._skip(_SPACE)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        if self._next("["):
            number = 0
            while self._skip(_BLANK) and not self._next("]"):
                before = self._at
                self._note((*path, number), self._at)
                self._value((*path, number))
                self._skip(_BLANK)
                self._next(",")
                number += 1
                if self._at == before:
                    raise ValueError("no value where one is expected")
        elif self._next("{"):
            while self._skip(_BLANK) and not self._next("}"):
                self._pair(path)
                self._skip(_BLANK)
                self._next(",")
        elif (found := _STRING.match(self._text, self._at)) is not None:
            self._at = found.end()
        else:
            self._skip(_SCALAR)


def _unquoted(text: str) -> str:
    """The key that is meant: a quoted one read as tomllib reads it."""
    if text[0] == "'":
        return text[1:-1]
    if text[0] != '"':
        return text
    import tomllib

    read: dict[str, Any] = tomllib.loads(f"key = {text}")
    return str(read["key"])
