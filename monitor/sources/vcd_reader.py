"""The text of a value change dump (IEEE 1364-2005 clause 18): its declarations, and the changes of chosen signals.

Whatever a dump may make longer has a bound that is said when it is reached: a token, the header, the scopes, the
names, the changes of one time step. Nothing here knows what the signals mean.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from fractions import Fraction
from typing import BinaryIO

from ..errors import InputError

__all__ = ["VcdHeader", "VcdReader", "VcdVariable"]

_READ = 1 << 20
_LONGEST_TOKEN = 64 << 10
_LONGEST_HEADER = 64 << 20
_MOST_WORDS = 64
"""Words of a declaration that are kept: more stand in comments only."""
_MOST_SCOPES = 256
_MOST_NAMES = 96 << 20
"""Octets that the names of all signals may take together, each with what it takes to keep it."""
_KEPT = 150
_MOST_CHANGES = 1 << 16
"""Changes of the chosen signals in one time step."""
_UNITS = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}
_RANGE = re.compile(r"\s*\[\d+:\d+\]\Z")
_TIMESCALE = re.compile(r"(\d{1,18})\s*(fs|ps|ns|us|ms|s)\Z")
_DECLARED = (b"$scope", b"$timescale", b"$var")


@dataclass(frozen=True, slots=True)
class VcdVariable:
    """One variable of the dump: its full path, parted by dots, its width in bits and its identifier code."""

    path: str
    width: int
    code: bytes


@dataclass(frozen=True, slots=True)
class VcdHeader:
    """`tick_ns` is the time unit in nanoseconds."""

    tick_ns: Fraction
    variables: tuple[VcdVariable, ...]

    def find(self, pattern: str) -> VcdVariable:
        """The variable of that name or path (wildcards * and ? allowed); InputError for none or several."""
        found = [
            v
            for v in self.variables
            if fnmatchcase(v.path, pattern) or fnmatchcase(v.path, f"*.{pattern}") or v.path == pattern
        ]
        if not found:
            some = ", ".join(v.path for v in self.variables[:8]) or "none"
            raise InputError(f"no signal {pattern!r} in the dump", hint=f"there are {some}")
        if len({v.code for v in found}) > 1:
            raise InputError(
                f"signal {pattern!r} fits {len(found)}: {', '.join(v.path for v in found[:5])}",
                hint="give more of its path",
            )
        return found[0]


class _Tokens:
    """White space parted tokens of a stream, in lists of bounded size; a token is never cut."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._rest = b""
        self.read = 0

    def more(self) -> list[bytes]:
        """The next tokens; an empty list at the end. InputError for one without end."""
        while True:
            block = self._stream.read(_READ)
            self.read += len(block)
            if not block:
                tokens, self._rest = self._rest.split(), b""
                return tokens
            data = self._rest + block
            end = max(data.rfind(b"\n"), data.rfind(b" "), data.rfind(b"\t"), data.rfind(b"\r")) + 1
            self._rest = data[end:]
            if len(self._rest) > _LONGEST_TOKEN:
                raise InputError(f"no value change dump: a token longer than {_LONGEST_TOKEN} octets")
            tokens = data[:end].split()
            if tokens:
                return tokens


class VcdReader:
    """Reads a dump once, from its start; InputError for what is no dump or lacks the signals."""

    def __init__(self, stream: BinaryIO) -> None:
        self._tokens = _Tokens(stream)
        self._held: list[bytes] = []
        self.header = self._read_header()
        self.dump_pauses = 0

    @property
    def offset(self) -> int:
        """Octets read so far."""
        return self._tokens.read

    def _read_header(self) -> VcdHeader:
        variables: list[VcdVariable] = []
        scopes: list[str] = []
        tick = Fraction(1)
        names = 0
        for keyword, words in self._declarations():
            if keyword == b"$scope":
                scopes.append(words[-1] if words else "")
                if len(scopes) > _MOST_SCOPES:
                    raise InputError(f"more than {_MOST_SCOPES} scopes in each other in the dump")
            elif keyword == b"$upscope" and scopes:
                scopes.pop()
            elif keyword == b"$timescale":
                tick = _tick_ns("".join(words))
            elif keyword == b"$var":
                variables.append(_variable(words, scopes))
                names += len(variables[-1].path) + len(variables[-1].code) + _KEPT
                if names > _MOST_NAMES:
                    raise InputError(
                        f"the dump has too many signals: {len(variables)}, and more to come",
                        hint="dump fewer of them",
                    )
        return VcdHeader(tick, tuple(variables))

    def _declarations(self) -> Iterator[tuple[bytes, list[str]]]:
        """(keyword, words up to $end) until $enddefinitions."""
        keyword = b""
        words: list[str] = []
        while True:
            tokens = self._tokens.more()
            if not tokens:
                raise InputError("no value change dump: $enddefinitions is missing")
            if self._tokens.read > _LONGEST_HEADER:
                raise InputError(
                    f"no value change dump: no $enddefinitions in its first {_LONGEST_HEADER >> 20} MiB"
                )
            for i, token in enumerate(tokens):
                if not keyword:
                    if not token.startswith(b"$"):
                        raise InputError(
                            f"no value change dump: {token[:20].decode('latin-1')!r} at its start"
                        )
                    keyword, words = token, []
                elif token == b"$end":
                    if keyword == b"$enddefinitions":
                        self._held = tokens[i + 1 :]
                        return
                    yield keyword, words
                    keyword = b""
                elif keyword in _DECLARED and len(words) < _MOST_WORDS:
                    words.append(token.decode("utf-8", "replace"))

    def changes(self, codes: set[bytes]) -> Iterator[tuple[int, list[tuple[bytes, bytes]]]]:
        """(time, changes of the chosen variables in order) of every time step; values as written.

        A step that ends with the stream is given, too, so that a cut dump gives all it holds.
        """
        now = 0
        step: list[tuple[bytes, bytes]] = []
        begun = skipping = False
        value: bytes | None = None
        tokens, self._held = self._held, []
        while True:
            for token in tokens:
                if value is not None:
                    if token in codes:
                        step.append((token, value))
                    value = None
                    if len(step) > _MOST_CHANGES:
                        raise InputError(f"more than {_MOST_CHANGES} changes at time {now} of the dump")
                    continue
                first = token[0]
                if skipping:
                    skipping = token != b"$end"
                elif first == 35:  # #
                    time = _time(token)
                    if time != now or not begun:
                        # What stands before the first time belongs to it.
                        if begun:
                            yield now, step
                            step = []
                            if time < now:
                                raise InputError(f"the dump's time runs back from {now} to {time}")
                        now, begun = time, True
                elif first in b"bB":
                    value = token[1:]
                elif first in b"rR":
                    value = b""
                elif first == 36:  # $
                    skipping = token == b"$comment"
                    self.dump_pauses += token == b"$dumpoff"
                elif token[1:] in codes:
                    step.append((token[1:], token[:1]))
                    if len(step) > _MOST_CHANGES:
                        raise InputError(f"more than {_MOST_CHANGES} changes at time {now} of the dump")
            tokens = self._tokens.more()
            if not tokens:
                break
        if begun or step:
            yield now, step


def _tick_ns(text: str) -> Fraction:
    match = _TIMESCALE.match(text)
    if match is None:
        raise InputError(f"no value change dump: timescale {text[:20]!r}")
    return Fraction(int(match[1])) * Fraction(10**9, 10 ** _UNITS[match[2]])


def _variable(words: list[str], scopes: list[str]) -> VcdVariable:
    """From `wire 8 ! name [7:0]`; the range of a whole bus is no part of its name."""
    if len(words) < 4 or not words[1].isdecimal() or len(words[1]) > 18:
        raise InputError(f"no value change dump: $var {' '.join(words)[:40]!r}")
    name = words[3].removeprefix("\\")
    tail = "".join(words[4:])
    name = _RANGE.sub("", name + tail) or name
    return VcdVariable(".".join([*scopes, name]), int(words[1]), words[2].encode())


def _time(token: bytes) -> int:
    try:
        if not token[1:].isdigit():
            raise ValueError
        return int(token[1:])
    except ValueError:
        raise InputError(f"time {token[:20].decode('latin-1')!r} in the dump is no number") from None
