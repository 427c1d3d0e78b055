"""Line data in every form, built by hand from CPRI V7.0 Table 9 (sync control word), clause 4.2.7.3 (HFN) and
IEEE 802.3 table 36-2 (K28.5 is 001111 1010 or its complement), not by the project's encoder.

64B/66B blocks are made by the project's encoder, which tests/published checks; their sync word is /T/ /S/ among
fillers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decoders.line_coding.code_64b66b import BlockEncoder, join_blocks, pack_blocks
from decoders.line_coding.fec_codewords import FecEncoder, pack_codewords
from monitor.formats.forms import Form

OCTETS_A_WORD = {"1": 1, "2": 2, "3": 4, "4": 5, "5": 8, "6": 10, "7": 16}

SYMBOLS_OF_K28_5 = (0b0101111100, 0b1010000011)  # 0011111010 and 1100000101 with a in bit 0
# Data characters D21.5 and D10.2 alternate ones and zeros: no run, no comma, wherever they are cut.
D21_5, D10_2 = 0b0101010101, 0b1010101010


def octet_stream(option: str, hyperframes: int, seed: int = 1, first_hfn: int = 147) -> NDArray[np.uint8]:
    y = OCTETS_A_WORD[option]
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 256, (hyperframes, 4096 * y), dtype=np.uint8)
    data[:, 0] = 0xBC
    data[:, 1:y] = 0x50
    data[:, 64 * 16 * y] = (first_hfn + np.arange(hyperframes)) % 150
    return data.reshape(-1)


def symbol_stream(option: str, hyperframes: int, seed: int = 1) -> NDArray[np.uint16]:
    size = 4096 * OCTETS_A_WORD[option]
    rng = np.random.default_rng(seed)
    symbols = rng.choice(np.array([D21_5, D10_2], np.uint16), (hyperframes, size))
    symbols[:, 0] = rng.choice(np.array(SYMBOLS_OF_K28_5, np.uint16), hyperframes)
    return symbols.reshape(-1)


def as_form(form: Form, option: str, hyperframes: int, seed: int = 1) -> bytes:
    if form is Form.OCTETS:
        return octet_stream(option, hyperframes, seed).tobytes()
    if form is Form.FLAGGED:
        words = octet_stream(option, hyperframes, seed).astype("<u2")
        words[:: 4096 * OCTETS_A_WORD[option]] |= 0x100
        return words.tobytes()
    symbols = symbol_stream(option, hyperframes, seed)
    if form is Form.SYMBOLS:
        return symbols.astype("<u2").tobytes()
    if form is Form.BITS:
        bits = (symbols[:, None] >> np.arange(10, dtype=np.uint16)) & 1
        return np.packbits(bits.reshape(-1).astype(np.uint8), bitorder="little").tobytes()
    octets = octet_stream(option, hyperframes, seed).tobytes()
    lines = (f"{i:06x}: {octets[i : i + 16].hex(' ')}\n" for i in range(0, len(octets), 16))
    return "".join(lines).encode()


def cut_bits(data: bytes, count: int) -> bytes:
    bits = np.unpackbits(np.frombuffer(data, np.uint8), bitorder="little")[count:]
    return np.packbits(bits, bitorder="little").tobytes()


ALL_FORMS = [Form.OCTETS, Form.FLAGGED, Form.SYMBOLS, Form.BITS, Form.HEX]

BLOCK_WORDS = {"7A": 16, "8": 20, "9": 24, "10": 48}
"""Octets of a word, T/8, of the 64B/66B options."""


def block_octets(option: str, hyperframes: int, seed: int = 1) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """(octets behind the line code, positions of /T/ and /S/) of a 64B/66B option."""
    size = 4096 * BLOCK_WORDS[option]
    data = np.random.default_rng(seed).integers(0, 256, (hyperframes, size), dtype=np.uint8)
    data[:, :16] = 0x50
    data[:, 7:9] = (0xFD, 0xFB)
    data[:, size // 4] = (147 + np.arange(hyperframes)) % 150
    starts = size * np.arange(hyperframes)
    return data.reshape(-1), np.sort(np.concatenate((starts + 7, starts + 8)))


def block_stream(
    form: Form, option: str, hyperframes: int, *, fec: bool = False, lead_bits: int = 0
) -> bytes:
    """A stream of a 64B/66B option; with `fec` packed bits of RS-FEC codewords."""
    octets, k = block_octets(option, hyperframes)
    if form is Form.OCTETS:
        return octets.tobytes()
    if form is Form.FLAGGED:
        words = octets.astype("<u2")
        words[k] |= 0x100
        return words.tobytes()
    headers, payload = BlockEncoder().encode(octets, k)
    if form is Form.BLOCKS:
        return join_blocks(headers, payload).tobytes()
    if fec:
        return pack_codewords(FecEncoder().encode(headers, payload), lead_bits).tobytes()
    return pack_blocks(headers, payload, lead_bits).tobytes()
