"""Scrambling of version 2 against the polynomial of CPRI figure 40, 1 + X^28 + X^31.

The standard's c[i+31] = c[i] XOR c[i+3] is written here bit by bit; the printed values were computed by a separate
program from the same rule (seed = sum of c[i] * 2^i, c[0] at the first bit of the hyperframe).
"""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

from decoders.line_coding.scrambling import HyperframeDescrambler, keystream, known_seeds, scramble
from decoders.linerates import OPTIONS

SEED = 0x12345678


@pytest.mark.parametrize(
    ("seed", "octets"),
    [
        (1, "01 00 00 80 00 00 00 48 00 00 80 20 00 00 48 12"),
        (SEED, "78 56 34 92 5B 6E 39 70 C8 21 1F BF F8 62 7E D4"),
        (0x7FFFFFFF, "FF FF FF 7F 00 00 00 38 00 00 80 1F 00 00 38 0E"),
    ],
)
def test_keystream(seed: int, octets: str) -> None:
    assert keystream(seed, 16).tobytes() == bytes.fromhex(octets)
    bits = [seed >> i & 1 for i in range(31)]
    while len(bits) < 8 * 65_536:
        bits.append(bits[-31] ^ bits[-28])
    packed = np.packbits(np.array(bits, np.uint8), bitorder="little")
    assert keystream(seed, 65_536).tobytes() == packed[:65_536].tobytes()


HYPERFRAMES = (
    ("5", "BC 50 64 C2 0B 3E 69 20 C8 21 1F BF F8 62 7E D4", "C7 C5 DA B0", "51cc2fd1299885b0"),
    ("6", "BC 50 64 C2 0B 3E 69 20 98 71 1F BF F8 62 7E D4", "3C 2F 87 39", "abbc65b6e1564926"),
    ("7", "BC 50 64 C2 0B 3E 69 20 98 71 4F EF A8 32 2E 84", "AD 93 46 E4", "b30521feff1f517e"),
)


@pytest.mark.parametrize(("name", "start", "words", "digest"), HYPERFRAMES)
def test_whole_hyperframe(name: str, start: str, words: str, digest: str) -> None:
    """HFN 5, version 2, HDLC code 6, pointer 20, all else 0: its start, Z.2.0, Z.64.0, Z.66.0, Z.194.0, digest."""
    option = OPTIONS[name]
    plain = np.zeros((1, 256, 16, option.word_octets), np.uint8)
    plain[0, 0, 0] = 0x50
    plain[0, 0, 0, 0] = 0xBC
    for x, value in ((64, 5), (2, 2), (66, 6), (194, 20)):
        plain[0, x, 0, 0] = value
    line = scramble(plain, SEED)
    assert line.tobytes()[:16] == bytes.fromhex(start)
    assert line[0, [2, 64, 66, 194], 0, 0].tobytes() == bytes.fromhex(words)
    assert hashlib.sha256(line.tobytes()).hexdigest().startswith(digest)
    seeds, fits = known_seeds(line[:, 0, 0])
    assert seeds.tolist() == [SEED] and fits.tolist() == [True]
    descrambler = HyperframeDescrambler(option)
    assert descrambler.descramble(line).octets.tobytes() == plain.tobytes()
    assert descrambler.seed == SEED


def test_most_significant_bit_first_does_not_fit() -> None:
    """Octets read the other way round break the recursion (computed: 17 spare equations at T = 64)."""
    line = keystream(SEED, 8).copy()[None]
    line[:, 2:] ^= 0x50
    assert known_seeds(line)[1].tolist() == [True]
    turned = np.packbits(np.unpackbits(keystream(SEED, 8)), bitorder="little")[None] ^ np.uint8(0x50)
    assert known_seeds(turned)[1].tolist() == [False]
