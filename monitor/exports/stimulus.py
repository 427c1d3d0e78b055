"""Line stimulus for simulators: value change dumps and `$readmemh` text (IEEE 1364-2005 clauses 18 and 17.2.9).

A value change dump has one time step a character, in whole femtoseconds: the nearest to n characters of ten line
bits each. A `$readmemh` file has one word a line in hexadecimal; what it is stands in comments. Both are text
and written as the words come. Nothing here decodes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import chain
from typing import BinaryIO

import numpy as np

from decoders.arrays import U16
from decoders.linerates import LineRateOption

from ..errors import InputError
from .line_words import Words

__all__ = ["ReadmemhFile", "SignalNames", "VcdFile", "character_femtoseconds"]

_IDENTIFIER = re.compile(r"[A-Za-z_][A-Za-z0-9_$]*\Z")
_DATA_ID, _K_ID, _CLOCK_ID = "!", '"', "#"
_CHUNK = 1 << 16


def character_femtoseconds(option: LineRateOption) -> Fraction:
    """Duration of one character (ten line bits), in femtoseconds."""
    return option.unit_interval_s * 10 * 10**15


@dataclass(frozen=True, slots=True)
class SignalNames:
    """Names of the signals; `clock` None leaves the clock out. InputError for what is no Verilog identifier."""

    data: str
    k: str = "k"
    clock: str | None = None
    scope: str = "line"

    def __post_init__(self) -> None:
        names = [name for name in (self.data, self.k, self.clock, self.scope) if name is not None]
        for name in names:
            if not _IDENTIFIER.match(name):
                raise InputError(
                    f"signal name {name!r} is no identifier", hint="use letters, digits, _ and $"
                )
        signals = [name for name in (self.data, self.k, self.clock) if name is not None]
        if len(set(signals)) != len(signals):
            raise InputError(f"signal names repeat: {', '.join(signals)}")


def _comment_lines(lines: Sequence[str]) -> list[str]:
    """Lines that can stand in a comment: what a file name may hold must not end it."""
    return ["".join(c if " " <= c <= "~" else "?" for c in line).replace("$end", "?end") for line in lines]


class ReadmemhFile:
    """Words as text for $readmemh, three hexadecimal digits each."""

    def __init__(self, stream: BinaryIO, words: Words, comments: Sequence[str]) -> None:
        layout = {
            Words.SYMBOLS: "one 10-bit symbol a line, bit 0 = a (first on the line) to bit 9 = j",
            Words.FLAGGED: "one 9-bit word a line: bit 8 = K, bits 7..0 = octet",
        }
        self._stream = stream
        self.count = 0
        head = "".join(f"// {line}\n" for line in [*_comment_lines(comments), layout[words]])
        self._stream.write(head.encode("ascii"))
        text = "".join(f"{word:03x}\n" for word in range(1 << words.bits))
        self._text = np.frombuffer(text.encode("ascii"), np.uint32)  # four characters an item

    def write(self, words: U16) -> None:
        for start in range(0, len(words), _CHUNK):
            self._stream.write(np.take(self._text, words[start : start + _CHUNK]).data)
        self.count += len(words)

    def close(self) -> None:
        self._stream.write(f"// {self.count} words\n".encode("ascii"))


class VcdFile:
    """A value change dump of the data bus, the K flag (flagged words) and, if wanted, a clock.

    Values change at the start of a character; the clock rises in its middle and falls with the next one.
    """

    def __init__(
        self,
        stream: BinaryIO,
        words: Words,
        option: LineRateOption,
        names: SignalNames,
        comments: Sequence[str],
    ) -> None:
        self._stream = stream
        self._words = words
        self._clock = names.clock is not None
        self._step = character_femtoseconds(option)
        self._before = -1
        self.count = 0
        width = 10 if words is Words.SYMBOLS else 8
        self._mask = (1 << width) - 1
        self._data_text = [f"b{value:0{width}b} {_DATA_ID}\n" for value in range(1 << width)]
        variables = [f"$var wire {width} {_DATA_ID} {names.data} [{width - 1}:0] $end"]
        if words is Words.FLAGGED:
            variables.append(f"$var wire 1 {_K_ID} {names.k} $end")
        if self._clock:
            variables.append(f"$var wire 1 {_CLOCK_ID} {names.clock} $end")
        head = [
            "$comment",
            *(f"  {line}" for line in _comment_lines(comments)),
            "$end",
            "$version framefray export $end",
            "$timescale 1 fs $end",
            f"$scope module {names.scope} $end",
            *variables,
            "$upscope $end",
            "$enddefinitions $end",
            "$dumpvars",
            f"b{'x' * width} {_DATA_ID}",
            *([f"x{_K_ID}"] if words is Words.FLAGGED else []),
            *([f"0{_CLOCK_ID}"] if self._clock else []),
            "$end",
        ]
        self._stream.write(("\n".join(head) + "\n").encode("ascii"))

    def write(self, words: U16) -> None:
        for start in range(0, len(words), _CHUNK):
            self._piece(words[start : start + _CHUNK])

    def _piece(self, words: U16) -> None:
        n, times = len(words), self._times
        before = np.concatenate(([self._before], words[:-1].astype(np.int64)))
        now = words.astype(np.int64)
        new_data = ((now ^ before) & self._mask) != 0
        if self._before < 0:
            new_data[0] = True
        none = ""
        data = [
            self._data_text[v] if c else none
            for v, c in zip((now & self._mask).tolist(), new_data.tolist(), strict=True)
        ]
        columns = [times(n, Fraction(0)), data]
        if self._words is Words.FLAGGED:
            new_k = ((now ^ before) >> 8) != 0
            flags = (f"0{_K_ID}\n", f"1{_K_ID}\n")
            columns.append(
                [
                    flags[k] if c else none
                    for k, c in zip((now >> 8 & 1).tolist(), new_k.tolist(), strict=True)
                ]
            )
        if self._clock:
            columns += [[f"0{_CLOCK_ID}\n"] * n, times(n, Fraction(1, 2)), [f"1{_CLOCK_ID}\n"] * n]
        self._stream.write("".join(chain.from_iterable(zip(*columns, strict=True))).encode("ascii"))
        self._before = int(words[-1])
        self.count += n

    def _times(self, n: int, offset: Fraction) -> list[str]:
        """Time lines of the next n characters: round((count + i + offset) * step), halves upwards."""
        step = self._step
        start = (self.count + offset) * step + Fraction(1, 2)
        low = start.denominator * step.denominator
        base, each = start.numerator * step.denominator, step.numerator * start.denominator
        return [f"#{(base + i * each) // low}\n" for i in range(n)]

    def close(self) -> None:
        """The end of the last character."""
        self._stream.write(self._times(1, Fraction(0))[0].encode("ascii"))
