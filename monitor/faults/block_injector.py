"""Puts faults into blocks, codewords and line bits of 64B/66B: pure, given the stream and the fault."""

from __future__ import annotations

import numpy as np

from decoders.arrays import I64, U8, U64
from decoders.frame_structure.frames import octet_index
from decoders.line_coding.code_64b66b import BLOCK_BITS, BLOCK_OCTETS, START, TERMINATE
from decoders.line_coding.fec_codewords import other_header_rule, pn_5280
from decoders.linerates import LineRateOption

from .kinds import Fault

__all__ = [
    "SYNC_BLOCK_FAULTS",
    "WHOLE_LINE_FAULTS",
    "block_problem",
    "codeword_of",
    "damage_blocks",
    "damage_codeword",
    "damage_sync_blocks",
    "has_sync_blocks",
    "line_bit",
    "line_bits_hit",
    "spoil_line",
]

SYNC_BLOCK_FAULTS = ("sync.terminate_only", "sync.start_only", "line.sync_pair")
"""Faults of the octets of /T/ and /S/ blocks."""
WHOLE_LINE_FAULTS = ("line.invert", "line.dark")
"""Faults of every line bit of their hyperframes."""
_BAD_HEADER = 3
_TERMINATE_AT, _START_AT = 7, 8
_FILLER = 0x50
_K_CODES = {9: START, 10: TERMINATE}
"""Characters of 64B/66B by their number among the K codes: K27.7 and K29.7."""
_NO_HITS: I64 = np.zeros(0, np.int64)
_SYMBOLS = 528


def line_bit(option: LineRateOption, x: int, w: int, y: int, bit: int = 0) -> int:
    """Line bit, from the first of the hyperframe on, of a bit of an octet's place in its block."""
    block, octet = divmod(octet_index(option, x, w, y), BLOCK_OCTETS)
    return BLOCK_BITS * block + 2 + 8 * octet + bit


def block_problem(fault: Fault, option: LineRateOption) -> str | None:
    """What a fault's parameters say that cannot be at 64B/66B."""
    name, values = fault.kind.name, fault.values
    if name == "line.flip" and values["bit"] > 7:
        return f"bit={values['bit']} is no bit of an octet (0 to 7); see line.header and line.violation"
    if name == "sync.filler" and values["y"] in (_TERMINATE_AT, _START_AT):
        return f"y={values['y']} is no filler: /T/ is octet 7 and /S/ octet 8 of the sync word"
    if name == "line.k":
        place = octet_index(option, values["x"], values["w"], values["y"]) % BLOCK_OCTETS
        if values["code"] not in _K_CODES:
            return f"code={values['code']} is not valid for this option: 9 is /S/, 10 is /T/"
        if values["code"] == 9 and place:
            return f"/S/ is in octet 0 of a block only, and this is octet {place}"
        if values["x"] == values["w"] == 0 and values["y"] < 16:
            return "there is no room for it in the sync word; see sync.terminate_only and sync.start_only"
    if name == "line.sync_pair":
        first = octet_index(option, values["x"], values["w"], values["y"]) // BLOCK_OCTETS * BLOCK_OCTETS
        if not 16 <= first <= option.hyperframe_octets - 16:
            return "two blocks beside the sync word are needed"
    return None


def has_sync_blocks(frame: U8) -> bool:
    """Whether a hyperframe, uint8 (256, 16, T/8), begins with a /T/ and an /S/ block."""
    word = frame[0, 0]
    return len(word) >= 16 and (int(word[_TERMINATE_AT]), int(word[_START_AT])) == (TERMINATE, START)


def damage_sync_blocks(fault: Fault, frame: U8) -> tuple[int, tuple[int, ...], tuple[int, ...]]:
    """Damage /T/ and /S/ of one hyperframe, uint8 (256, 16, T/8): (first octet, octets special no more, and now)."""
    flat = frame.reshape(-1)
    if fault.kind.name == "line.sync_pair":
        values = fault.values
        at = ((values["x"] * 16 + values["w"]) * frame.shape[2] + values["y"]) // BLOCK_OCTETS * BLOCK_OCTETS
        flat[at : at + 16] = _FILLER
        flat[at + _TERMINATE_AT], flat[at + _START_AT] = TERMINATE, START
        return at, (), (at + _TERMINATE_AT, at + _START_AT)
    lost = {"sync.terminate_only": (_START_AT,), "sync.start_only": (_TERMINATE_AT,)}.get(
        fault.kind.name, (_TERMINATE_AT, _START_AT)
    )
    flat[list(lost)] = _FILLER
    return lost[0], lost, ()


def _first_block(fault: Fault, option: LineRateOption) -> int:
    """The block of its hyperframe that a fault begins with."""
    values = fault.values
    return octet_index(option, values["x"], values["w"], values["y"]) // BLOCK_OCTETS if "x" in values else 0


def damage_blocks(fault: Fault, headers: U8, words: U64, option: LineRateOption) -> None:
    """Damage the blocks of one hyperframe (headers, scrambled payload words) in place."""
    name, values = fault.kind.name, fault.values
    if name == "line.invert":
        headers ^= np.uint8(3)
        np.bitwise_not(words, out=words)
    elif name == "line.dark":
        headers[:] = 3 if values["level"] else 0
        words[:] = 0xFFFF_FFFF_FFFF_FFFF if values["level"] else 0
    elif name == "line.header":
        headers[_first_block(fault, option)] ^= 3
    elif name == "line.violation":
        step = option.basic_frame_octets // BLOCK_OCTETS
        headers[(_first_block(fault, option) + step * np.arange(values["count"])) % len(headers)] = (
            _BAD_HEADER
        )


def spoil_line(fault: Fault, octets: U8) -> None:
    """What a fault does to all line bits of a stretch, in place."""
    if fault.kind.name == "line.invert":
        np.bitwise_not(octets, out=octets)
    else:
        octets[:] = 0xFF if fault.values["level"] else 0


def line_bits_hit(fault: Fault, option: LineRateOption) -> I64:
    """Line bits, from the first of the hyperframe on, that a fault inverts."""
    name, values = fault.kind.name, fault.values
    if name == "line.flip":
        at = line_bit(option, values["x"], values["w"], values["y"], values["bit"])
        return np.array([at], np.int64)
    if name == "line.burst":
        return line_bit(option, values["x"], values["w"], values["y"]) + burst_bits(fault)
    return _NO_HITS


def burst_bits(fault: Fault) -> I64:
    """Bits, from the first on, that a burst inverts."""
    values = fault.values
    if values["seed"]:
        drawn = np.random.default_rng(values["seed"]).permutation(values["span"])[: values["count"]]
        return np.sort(drawn.astype(np.int64))
    return np.arange(values["count"], dtype=np.int64)


def codeword_of(fault: Fault, begins: int) -> range:
    """Codewords that a fault touches, where number `begins` is the first that begins in its hyperframe."""
    values = fault.values
    first = begins + values.get("codeword", 0)
    return range(first, first + values.get("codewords", 1))


def damage_codeword(fault: Fault, codeword: U8, number: int) -> None:
    """Damage one codeword as on the line, uint8 (660,), in place."""
    if fault.kind.name == "fec.pn":
        codeword ^= pn_5280()
    elif fault.kind.name == "fec.header_rule":
        codeword[:] = other_header_rule((codeword ^ pn_5280())[None])[0] ^ pn_5280()
    elif fault.kind.name == "fec.symbols":
        random = np.random.default_rng([fault.values["seed"], number])
        count = fault.values["symbols"]
        places = random.choice(_SYMBOLS, count, replace=False)
        values = random.integers(1, 1024, count)
        for place, value in zip(places.tolist(), values.tolist(), strict=True):
            at, shift = divmod(10 * place, 8)
            codeword[at] ^= value << shift & 0xFF
            codeword[at + 1] ^= value << shift >> 8
