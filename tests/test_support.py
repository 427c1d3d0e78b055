"""The helpers themselves: what they are to find is found."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.support.any_cut import any_cut, pieces
from tests.support.patience import wait_until


def test_pieces_are_the_whole() -> None:
    data = bytes(range(256)) * 9
    assert all(b"".join(pieces(data, seed, 40)) == data for seed in range(20))


def test_a_decoder_that_depends_on_its_pieces_is_found_out() -> None:
    data = bytes(range(200))

    def good(parts: Iterator[bytes]) -> int:
        return sum(sum(part) for part in parts)

    def bad(parts: Iterator[bytes]) -> list[int]:
        return [part[0] for part in parts if part]

    assert any_cut(good, data) == sum(data)
    with pytest.raises(AssertionError, match="another result"):
        any_cut(bad, data)


def test_a_condition_that_never_holds_fails() -> None:
    calls: list[int] = []
    wait_until(lambda: calls.append(0) or len(calls) > 2, every=0.0)
    assert len(calls) == 3
    with pytest.raises(AssertionError, match=r"does not hold in 0\.01 s"):
        wait_until(lambda: False, 0.01, 0.001)
