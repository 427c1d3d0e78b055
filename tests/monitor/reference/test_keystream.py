"""Scrambling of version 2 in the reference: independent vectors, and against the batch descrambler.

Keystreams and scrambled beginnings of a hyperframe: worked out by a separate program from CPRI figure 40
(c[i+31] = c[i] + c[i+3]), as translated by a public tutorial.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.line_coding.scrambling import HyperframeDescrambler, scramble
from decoders.linerates import OPTIONS
from monitor.reference.keystream import VersionTwo, fits_some_seed, keystream_bits, seed_of


@pytest.mark.parametrize(
    ("seed", "octets"),
    [
        (1, "01 00 00 80 00 00 00 48 00 00 80 20 00 00 48 12"),
        (0x12345678, "78 56 34 92 5B 6E 39 70 C8 21 1F BF F8 62 7E D4"),
        (0x7FFFFFFF, "FF FF FF 7F 00 00 00 38 00 00 80 1F 00 00 38 0E"),
    ],
)
def test_keystreams(seed: int, octets: str) -> None:
    assert keystream_bits(seed, 128).to_bytes(16, "little") == bytes.fromhex(octets)


@pytest.mark.parametrize(
    ("word", "width"),
    [
        ("BC 50 64 C2 0B 3E 69 20", 8),
        ("BC 50 64 C2 0B 3E 69 20 98 71", 10),
        ("BC 50 64 C2 0B 3E 69 20 98 71 4F EF A8 32 2E 84", 16),
    ],
)
def test_seed_of_a_first_word(word: str, width: int) -> None:
    octets = bytes.fromhex(word)
    assert len(octets) == width
    assert seed_of(octets) == 0x12345678
    assert fits_some_seed(octets)
    assert not fits_some_seed(octets[:7] + bytes([octets[7] ^ 1]) + octets[8:])
    assert seed_of(b"\xbc\x50" + b"\x50" * (width - 2)) == 0


@settings(max_examples=12, deadline=None)
@given(
    st.sampled_from(["5", "6", "7"]),
    st.lists(st.sampled_from([0, 0, 1, 0x12345678, 0x7ABCDEF0]), min_size=1, max_size=6),
    st.lists(st.tuples(st.integers(0, 5), st.integers(2, 15), st.integers(1, 255)), max_size=3),
    st.lists(st.sampled_from([1, 2, 2, 2, 7]), min_size=6, max_size=6),
)
def test_agrees_with_the_batch_descrambler(
    name: str, seeds: list[int], damage: list[tuple[int, int, int]], versions: list[int]
) -> None:
    option = OPTIONS[name]
    n, width = len(seeds), option.word_octets
    plain = np.random.default_rng(n).integers(0, 256, (n, 256, 16, width), np.uint8)
    plain[:, 0, 0] = 0x50
    plain[:, 2, 0, 0] = versions[:n]
    line = scramble(plain, np.array(seeds))
    for hyperframe, octet, xor in damage:
        line[hyperframe % n, 0, 0, min(octet, width - 1)] ^= xor
    theirs = HyperframeDescrambler(option)
    got = theirs.descramble(line)
    ours = VersionTwo(option.hyperframe_octets, 2 * option.basic_frame_octets)
    changed, unreliable, octets = [], [], []
    for i in range(n):
        frame, is_changed, is_unreliable = ours.descramble(line[i].tobytes(), width)
        octets.append(frame)
        changed += [i] if is_changed else []
        unreliable += [i] if is_unreliable else []
        assert (-1 if ours.seed is None else ours.seed) == got.seeds[i]
    assert octets == [frame.tobytes() for frame in got.octets]
    assert (changed, unreliable) == (got.changed.tolist(), got.unreliable.tolist())
    assert ours.seed == theirs.seed
