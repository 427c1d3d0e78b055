"""Seeds of version 2: found, held, changed, not found; the published values are in tests/published."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import LayoutError, SettingsError
from decoders.line_coding.scrambling import (
    HyperframeDescrambler,
    keystream,
    keystream_octets,
    known_seeds,
    scramble,
    seed_after,
)
from decoders.linerates import OPTIONS

U8 = np.ndarray


def hyperframes(name: str, n: int, version: int = 2) -> U8:
    width = OPTIONS[name].word_octets
    frame = np.random.default_rng(int(name)).integers(0, 256, (n, 256, 16, width), np.uint8)
    frame[:, 0, 0] = 0x50
    frame[:, 0, 0, 0] = 0xBC
    frame[:, 2, 0, 0] = version
    return frame


def run(
    name: str, line: U8, cut: int | None = None
) -> tuple[HyperframeDescrambler, U8, list[int], list[int], list[int]]:
    descrambler = HyperframeDescrambler(OPTIONS[name])
    octets, seeds, changed, unreliable = [], [], [], []
    for start in range(0, len(line), cut or len(line)):
        part = line[start : start + (cut or len(line))]
        got = descrambler.descramble(part)
        octets.append(got.octets)
        seeds += got.seeds.tolist()
        changed += (got.changed + start).tolist()
        unreliable += (got.unreliable + start).tolist()
    return descrambler, np.concatenate(octets), seeds, changed, unreliable


@given(st.integers(0, 0x7FFFFFFF))
@settings(max_examples=60, deadline=None)
def test_any_seed_is_found_in_the_known_octets(seed: int) -> None:
    for width in (8, 10, 16):
        word = np.full((1, width), 0x50, np.uint8)
        line = scramble(word, seed)
        assert line[0, :2].tolist() == [0x50, 0x50]
        seeds, fits = known_seeds(line)
        assert (seeds.tolist(), fits.tolist()) == ([seed], [True])
    assert seed_after(seed_after(seed, 16), -16) == seed
    later = int.from_bytes(keystream(seed, 6)[2:].tobytes(), "little") & 0x7FFFFFFF
    assert seed_after(seed, 16) == later
    assert keystream_octets(np.array([seed, 1]), 777).tolist() == [keystream(s, 778)[777] for s in (seed, 1)]


@pytest.mark.parametrize("cut", [None, 1, 3])
@pytest.mark.parametrize("name", ["5", "6", "7"])
def test_seed_change_holds_from_its_hyperframe(name: str, cut: int | None) -> None:
    plain = hyperframes(name, 8)
    seeds = np.array([5, 5, 5, 0x7ABCDEF0, 0x7ABCDEF0, 0, 0, 9])
    line = scramble(plain, seeds)
    assert (line[:3, :, :, :].reshape(3, -1)[:, :2] == [0xBC, 0x50]).all()
    descrambler, octets, used, changed, unreliable = run(name, line, cut)
    assert (octets == plain).all()
    assert (used, changed, unreliable) == (seeds.tolist(), [3, 5, 7], [])
    assert descrambler.seed == 9


@pytest.mark.parametrize("cut", [None, 1, 2])
def test_known_octets_that_fit_no_seed(cut: int | None) -> None:
    """The last seed is used; the wrong filler comes out as it was sent wrong."""
    plain = hyperframes("7", 5)
    plain[2, 0, 0, 9] ^= 0x04
    descrambler, octets, used, changed, unreliable = run("7", scramble(plain, 1234567), cut)
    assert (octets == plain).all()
    assert (used, changed, unreliable) == ([1234567] * 5, [], [2])
    assert descrambler.seed == 1234567


@pytest.mark.parametrize("name", ["5", "6", "7"])
def test_every_wrong_filler_bit_leaves_the_rest_alone(name: str) -> None:
    """At T = 64 some of them fit another seed; Z.2.0 tells which of the two is right."""
    width = OPTIONS[name].word_octets
    for version in (1, 2):
        plain = hyperframes(name, 1, version)
        line = plain if version == 1 else scramble(plain, 0x2468ACE1)
        for bit in range(16, 8 * width):
            descrambler = HyperframeDescrambler(OPTIONS[name])
            hurt = line.copy()
            hurt[0, 0, 0, bit // 8] ^= 1 << bit % 8
            got = descrambler.descramble(np.concatenate((line, hurt, line)))
            wrong = np.argwhere(got.octets != plain)
            assert wrong.tolist() == [[1, 0, 0, bit // 8]]
            assert got.unreliable.tolist() == ([1] if version == 2 else [])
            assert not len(got.changed)


@pytest.mark.parametrize("cut", [None, 1])
def test_version_1_is_left_alone(cut: int | None) -> None:
    plain = hyperframes("6", 4, version=1)
    plain[:, 0, 0, 1] = 0xC5
    plain[2, 0, 0, 5] = 0xAA
    plain[3, 2, 0, 0] = 77
    descrambler, octets, used, changed, unreliable = run("6", plain, cut)
    assert (octets == plain).all()
    assert (used, changed, unreliable) == ([-1] * 4, [], [])
    assert descrambler.seed is None


def test_seed_0_is_version_2() -> None:
    plain = hyperframes("5", 4)
    plain[1, 0, 0, 4] = 0
    plain[2, 2, 0, 0] = 77
    descrambler, octets, used, changed, unreliable = run("5", plain)
    assert (octets == plain).all()
    assert (used, changed, unreliable) == ([0] * 4, [], [1])
    assert descrambler.seed == 0


def test_versions_change() -> None:
    plain = np.concatenate((hyperframes("5", 2, 1), hyperframes("5", 2), hyperframes("5", 2, 1)))
    line = scramble(plain, np.array([0, 0, 4711, 4711, 0, 0]))
    descrambler, octets, used, changed, unreliable = run("5", line)
    assert (octets == plain).all()
    assert (used, changed, unreliable) == ([-1, -1, 4711, 4711, -1, -1], [], [])
    assert descrambler.seed is None


def test_what_cannot_be() -> None:
    with pytest.raises(SettingsError, match="no scrambling at option 4"):
        HyperframeDescrambler(OPTIONS["4"])
    with pytest.raises(SettingsError, match="not a number of 31 bits"):
        keystream(1 << 31, 4)
    with pytest.raises(LayoutError, match="a word of 5 octets"):
        known_seeds(np.zeros((1, 5), np.uint8))
    assert len(HyperframeDescrambler(OPTIONS["5"]).descramble(hyperframes("5", 0)).seeds) == 0
