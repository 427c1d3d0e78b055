"""The stream between two emulated boards."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from monitor.emulation.pair_stream import PairStream
from monitor.errors import InputError


@pytest.mark.parametrize("cut", [1, 2, 3, 5, 1000])
def test_symbols_come_whole_in_any_cut(cut: int) -> None:
    near, far = PairStream("2"), PairStream("2")
    sent = np.arange(50, dtype=np.uint16) * 20
    near.send(sent)
    data = near.take()
    assert near.take() == b""
    got = [far.receive(data[i : i + cut]) for i in range(0, len(data), cut)]
    assert np.array_equal(np.concatenate(got), sent)


def test_what_was_on_its_way_is_lost_and_the_head_comes_again() -> None:
    near, far = PairStream("1"), PairStream("1")
    near.send(np.array([1, 2], np.uint16))
    far.receive(near.take()[:9])
    for end in (near, far):
        end.changed(True)
        assert end.up
    near.send(np.array([3], np.uint16))
    assert far.receive(near.take()).tolist() == [3]


def test_another_option_and_another_program_are_told_apart() -> None:
    with pytest.raises(
        InputError, match="the other board of the link is of option 3, this one is of option 2"
    ):
        PairStream("2").receive(PairStream("3").take())
    with pytest.raises(InputError, match="is no board of this kind, this one is of option 2"):
        PairStream("2").receive(b"SSH-2.0-something")


@pytest.mark.parametrize(("kind", "size"), [(1, 3), (1, (64 << 20) + 2), (9, 0xFFFF_FFFF)])
def test_a_piece_that_no_board_sends_is_refused(kind: int, size: int) -> None:
    head = PairStream("2").take()
    with pytest.raises(InputError, match=f"a piece of {size} octets"):
        PairStream("2").receive(head + struct.pack("<BI", kind, size))
