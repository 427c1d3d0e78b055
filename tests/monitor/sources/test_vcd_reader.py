"""Dumps without end: each part of one has a bound that is said."""

from __future__ import annotations

import io
import re

import pytest

from monitor.errors import InputError
from monitor.sources import vcd_reader as vcd
from monitor.sources.vcd_reader import VcdReader


class Endless(io.RawIOBase):
    """`head`, and then `again` for ever, or nearly."""

    def __init__(self, head: bytes, again: bytes) -> None:
        self._head, self._again = head, again
        self.given = 0

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        assert self.given < 200 << 20, "it was read without end"
        assert size > 0
        data = self._head + self._again * (-(-size // len(self._again)))
        self._head = b""
        self.given += len(data)
        return data


OPEN = b"$scope module top $end $var wire 8 ! data $end "


@pytest.mark.parametrize(
    ("head", "again", "said"),
    [
        (b"", b"x", "a token longer than 65536 octets"),
        (b"$comment ", b"word ", "no $enddefinitions in its first 4 MiB"),
        (b"$var wire 8 ! ", b"word ", "no $enddefinitions in its first 4 MiB"),
        (b"", b"$scope module a $end ", "more than 256 scopes in each other"),
        (
            b"$scope module " + b"a" * 60_000 + b" $end ",
            b"$var wire 1 ! b $end ",
            "the dump has too many signals: ",
        ),
        (OPEN + b"$enddefinitions $end ", b"1! ", "more than 65536 changes at time 0"),
        (OPEN + b"$enddefinitions $end #5 ", b"b10101010 ! ", "more than 65536 changes at time 5"),
        (OPEN + b"$enddefinitions $end ", b"b0", "a token longer than 65536 octets"),
    ],
)
def test_a_dump_without_end_has_a_bound_that_is_said(
    head: bytes, again: bytes, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(vcd, "_LONGEST_HEADER", 4 << 20)
    monkeypatch.setattr(vcd, "_MOST_NAMES", 1 << 20)
    stream = Endless(head, again)
    with pytest.raises(InputError, match=re.escape(said)):
        reader = VcdReader(stream)  # type: ignore[arg-type]
        for _ in reader.changes({b"!"}):
            pass
    assert stream.given <= 6 << 20
