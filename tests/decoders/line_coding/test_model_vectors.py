"""Model vectors: our reading of what no published example confirms. They hold the code to the reading, no more.

Model: the sync word /T/ in Z.0.7 and /S/ in Z.0.8 (or /T/ first with seven idle characters), and the first codeword
with RS-FEC, with and without the header XOR of 802.3 clause 91.5.2.5. Computed by a separate program.
"""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

from decoders.line_coding.code_64b66b import IDLE, START, TERMINATE, BlockEncoder, pack_blocks
from decoders.line_coding.fec_codewords import FecEncoder, pn_5280, transcode, untranscode
from decoders.line_coding.rs_fec import symbols_of

ONES, ZEROS = (1 << 64) - 1, 0
FILLER = bytes([0x50]) * 7
T7_S0 = FILLER + bytes([TERMINATE, START]) + FILLER
T0_S0 = bytes([TERMINATE]) + bytes([IDLE]) * 7 + bytes([START]) + FILLER


def _blocks(state: int, start: bytes) -> tuple[np.ndarray, np.ndarray]:
    octets = np.frombuffer(start + bytes(range(16)), np.uint8)
    return BlockEncoder(state).encode(octets, np.array([start.index(TERMINATE), 8]))


def test_model_scrambled_payload_of_the_hyperframe_start() -> None:
    _, words = _blocks(ONES, T7_S0)
    assert words.tobytes() == bytes.fromhex(
        "FF 50 50 50 50 D0 87 87 13 39 F9 D2 D2 C6 D2 62 8D 8C 2A 21 AE 08 CB A7 2A F4 0A 56 7D 34 EB A0"
    )


@pytest.mark.parametrize(
    ("state", "start", "line"),
    [
        (
            ONES,
            T7_S0,
            "FD 43 41 41 41 41 1F 1E 36 91 93 2F 2D 6D 2C 2D 66 23 A3 4A 88 2B C2 F2 A9 2A F4 0A 56 7D 34 EB A0",
        ),
        (
            ZEROS,
            T7_S0,
            "FD 43 41 41 41 BF E0 11 36 91 6F D0 D2 92 D3 D3 A9 1C A3 4A 8A 2B 32 0D 96 2D F4 CA A9 82 C8 14 5F",
        ),
        (
            ONES,
            T0_S0,
            "1D 02 00 00 00 F0 FE 7F A4 07 E5 F8 FA 3A 79 F0 A7 E5 7B 9D 4F 1D 74 03 99 29 E4 1B D9 FF 2E 6C 27",
        ),
    ],
)
def test_model_line_bits_of_the_hyperframe_start(state: int, start: bytes, line: str) -> None:
    assert pack_blocks(*_blocks(state, start)).tobytes() == bytes.fromhex(line)


CODEWORDS = (
    (
        False,
        "2D2 040 0E7 3E0 29E 296 222 20B 36A 392 3E3 016 109 20C",
        "07 5E 5F 5F 5F 0A A5 0D 27 F2 58 0F 0F 27 EF 90",
        "C0 F8 FA DF 81 8F D8 53 CF 4A 30 BE 4D 4B 99 F4",
        "0b1902d5915849ad",
    ),
    (
        True,
        "194 1D4 234 319 124 269 134 107 230 35C 12C 147 10E 3B8",
        "06 5E 5F 5F 5F 0A A5 0D 27 F2 58 0F 0F 27 EF 90",
        "A5 2B 1C 7C 7A B0 CE 60 63 DF 03 71 0B 3E 99 99",
        "f7450051926d2e5d",
    ),
)


@pytest.mark.parametrize(("header_xor", "parity", "first", "last", "digest"), CODEWORDS)
def test_model_codeword(header_xor: bool, parity: str, first: str, last: str, digest: str) -> None:
    """T7 S0 and 78 data blocks (octet n of block b is 8 b + n modulo 256), scrambler from 58 ones."""
    octets = (np.arange(640) % 256).astype(np.uint8)
    octets[:16] = np.frombuffer(T7_S0, np.uint8)
    headers, words = BlockEncoder(ONES).encode(octets, np.array([7, 8]))
    line = FecEncoder(header_xor=header_xor).encode(headers, words)
    assert [f"{s:03X}" for s in symbols_of(line ^ pn_5280())[0, 514:]] == parity.split()
    assert line[0, :16].tobytes() == bytes.fromhex(first)
    assert line[0, -16:].tobytes() == bytes.fromhex(last)
    assert hashlib.sha256(line.tobytes()).hexdigest().startswith(digest)
    plain = transcode(headers, words, header_xor=header_xor)
    got_headers, got_words = untranscode(plain, ONES, header_xor=header_xor)
    assert got_headers.tolist() == headers.tolist()
    assert got_words.tolist() == words.tolist()
