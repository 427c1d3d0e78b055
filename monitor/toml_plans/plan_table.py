"""A plan in TOML: its tables with the place of every key, and the values that plans have in common.

Every mistake is an InputError of one line: `FILE: line N: KEY ...`, and an unknown key is told with the nearest
right one. What a plan says is text of others: it is checked before it is used, and shown through `text.inert`.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..errors import InputError
from ..text import inert
from .key_places import KeyPath, key_lines_of, nearest_line

__all__ = ["PlanTable", "nearest_name", "parse_plan_text", "read_plan_octets"]

MOST_OCTETS = 1 << 20
"""Of a plan; what is longer is no plan."""
MOST_NUMBER = 1e9
MOST_CHARACTERS = 40
"""Of a name."""
_SHOWN = 60


def read_plan_octets(name: str) -> str:
    """The text of a plan's file; InputError names the file."""
    try:
        with Path(name).open("rb") as file:
            octets = file.read(MOST_OCTETS + 1)
        text = octets.decode("utf-8")
    except OSError as error:
        raise InputError(f"{name}: {error.strerror}") from None
    except ValueError as error:  # also a name with a NUL in it
        what = "not a text in UTF-8" if isinstance(error, UnicodeDecodeError) else "not a file's name"
        raise InputError(f"{inert(name)}: {what}") from None
    if len(octets) > MOST_OCTETS:
        raise InputError(f"{name}: longer than a plan can be ({MOST_OCTETS} octets)")
    return text


def parse_plan_text(text: str) -> PlanTable:
    """The table at the top of a plan; InputError for what is no TOML."""
    try:
        document = tomllib.loads(text)
        lines = key_lines_of(text)
    except ValueError as error:  # also a number of more digits than Python reads
        raise InputError(f"not TOML: {inert(str(error))}") from None
    except RecursionError:
        raise InputError("not a plan: nested too deeply") from None
    return PlanTable(document, (), lines)


def nearest_name(name: str, names: Sequence[str]) -> str:
    """`; did you mean 'NAME'?` for the nearest of `names`; empty where none is near."""
    found = difflib.get_close_matches(name, names, 1)
    return f"; did you mean {inert(found[0])!r}?" if found else ""


@dataclass(frozen=True, slots=True)
class PlanTable:
    """One table of a plan; `path` leads to it from the top, `lines` are those of the whole document."""

    values: Mapping[str, Any]
    path: KeyPath = ()
    lines: Mapping[KeyPath, int] = field(default_factory=dict, repr=False)

    def __contains__(self, key: str) -> bool:
        return key in self.values

    def place(self, key: str) -> str:
        """`line N: ` of a key, of the table where the key is missing; empty where no line is known."""
        number = nearest_line(self.lines, (*self.path, key))
        return "" if number is None else f"line {number}: "

    def mistake(self, key: str, text: str) -> InputError:
        """An error about a key, to raise; `text` follows the line."""
        return InputError(f"{self.place(key)}{text}")

    def only(self, *keys: str) -> None:
        """InputError for the first key that is none of these, with the nearest of them."""
        for key in self.values:
            if key not in keys:
                raise self.mistake(key, f"unknown key {_shown(key)}{nearest_name(key, keys)}")

    def table(self, key: str) -> PlanTable:
        """The table under a key; an empty one where it is missing."""
        value = self.values.get(key, {})
        if not isinstance(value, dict):
            raise self.mistake(key, f"{key} is not a table: write [{self._named(key)}]")
        return PlanTable(value, (*self.path, key), self.lines)

    def tables(self, key: str, most: int) -> list[PlanTable]:
        """The tables of an array, at most `most`; none where it is missing."""
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(each, dict) for each in value):
            raise self.mistake(key, f"{key} is not a list of tables: write [[{self._named(key)}]] above each")
        if len(value) > most:
            raise self.mistake(key, f"{len(value)} [[{self._named(key)}]]; {most} at most")
        return [PlanTable(each, (*self.path, key, number), self.lines) for number, each in enumerate(value)]

    def _named(self, key: str) -> str:
        return ".".join(str(step) for step in (*self.path, key) if isinstance(step, str))

    def names(self) -> Iterator[str]:
        yield from self.values

    def text(self, key: str, default: str | None = None, *, most: int = MOST_CHARACTERS) -> str:
        """Printable text of 1 to `most` characters; InputError where it is missing and has no default."""
        value = self._value(key, default)
        if not isinstance(value, str) or not value or not value.isprintable() or len(value) > most:
            raise self.mistake(key, f"{key} is not a name of 1 to {most} printable characters")
        return value

    def number(
        self, key: str, default: float | None = None, *, low: float = 0.0, high: float = MOST_NUMBER
    ) -> float:
        """A number within `low` and `high`."""
        value = self._value(key, default)
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not number or (isinstance(value, float) and math.isnan(value)):
            raise self.mistake(key, f"{key} is not a number")
        # A whole number of TOML may be longer than a float can be, so the range comes before any formatting.
        if value > MOST_NUMBER:
            raise self.mistake(key, f"{key} is too large, above {MOST_NUMBER:g}")
        if value < 0 <= low:
            raise self.mistake(key, f"{key} is negative")
        if value < -MOST_NUMBER:
            raise self.mistake(key, f"{key} is too small, below {-MOST_NUMBER:g}")
        if not low <= value <= high:
            raise self.mistake(key, f"{key} = {value:g} is outside {low:g} to {high:g}")
        return value if isinstance(value, int) else float(value)

    def whole(
        self, key: str, default: int | None = None, *, low: int = 0, high: int = int(MOST_NUMBER)
    ) -> int:
        """A whole number within `low` and `high`."""
        value = self.number(key, default, low=low, high=high)
        if not isinstance(value, int):
            raise self.mistake(key, f"{key} = {value:g} is not a whole number")
        return value

    def switch(self, key: str, default: bool | None = None) -> bool:
        """true or false."""
        value = self._value(key, default)
        if not isinstance(value, bool):
            raise self.mistake(key, f"{key} is neither true nor false")
        return value

    def choice(self, key: str, choices: Sequence[str], default: str | None = None) -> str:
        """One of `choices`."""
        value = self._value(key, default)
        if isinstance(value, str) and value in choices:
            return str(value)
        said = f" {_shown(value)}" if isinstance(value, str) else f" {value}" if value in range(1000) else ""
        near = nearest_name(value, choices) if isinstance(value, str) else ""
        raise self.mistake(key, f"{key}{said} is none of {', '.join(choices)}{near}")

    def texts(self, key: str, most: int, default: Sequence[str] | None = None) -> tuple[str, ...]:
        """A list of at most `most` printable texts."""
        value = self._value(key, default)
        if not isinstance(value, list | tuple) or not all(
            isinstance(e, str) and e.isprintable() for e in value
        ):
            raise self.mistake(key, f"{key} is not a list of texts in quotes")
        if len(value) > most:
            raise self.mistake(key, f"{key} has {len(value)} entries; {most} at most")
        return tuple(value)

    def _value(self, key: str, default: Any) -> Any:
        value = self.values.get(key, default)
        if value is None:
            raise self.mistake(key, f"{key} is missing")
        return value


def _shown(value: object) -> str:
    """A value in quotes, inert and not too long."""
    text = inert(str(value))
    return repr(text if len(text) <= _SHOWN else f"{text[: _SHOWN - 3]}...")
