"""Puts faults into a stream at their layers: pure, given the stream and the fault.

Octets of a hyperframe, symbols, line bits; the frame queues of the C&M channels are in `queues`. Places that a
fault draws come from the seed among its own parameters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from decoders.arrays import U8, U16
from decoders.cm_plane.code_4b5b import ERROR_GROUP, INVALID_GROUPS
from decoders.frame_structure import controlwords as cw
from decoders.frame_structure.frames import octet_index
from decoders.line_coding.code_8b10b import K28_5, tables
from decoders.linerates import LineRateOption

from ..errors import InputError
from .block_injector import SYNC_BLOCK_FAULTS, block_problem, damage_sync_blocks, has_sync_blocks, line_bit
from .kinds import Fault, Layer
from .line_faults import K_CODES, cut_bits
from .standard import ALARM_MASKS, reserved_octets
from .sync_faults import D28_5, sent_timing

__all__ = [
    "Cut",
    "Damaged",
    "check_fault",
    "cut_of",
    "damage_octets",
    "damage_symbols",
    "move_bits",
    "octet_position",
    "reach",
    "symbol_position",
]

D16_2 = 0x50
D21_5_SYMBOL = 0x155
"""1010101010, the same in both columns: a character more that disturbs nothing but the count."""
_L1_WORDS = {"l1.version": cw.X_VERSION, "l1.pointer": cw.X_POINTER, "l1.rate": cw.X_RATE}
_RESERVED_BITS = ((cw.X_ALARMS, 0xE0), (cw.X_POINTER, 0xC0), (cw.X_RATE, 0xF8), (cw.X_BFN_HIGH, 0xF0))


def check_fault(
    fault: Fault,
    option: LineRateOption,
    pointer_p: int,
    hdlc_rate_code: int,
    *,
    fec: bool = False,
    version: int = 1,
) -> None:
    """InputError where the fault has no place in a link with these settings."""
    name, values = fault.kind.name, fault.values
    reason = fault.kind.refused(option)
    if reason:
        raise InputError(f"fault {name} {reason}")
    if fault.kind.plane == "fec" and not fec:
        raise InputError(f"fault {name}: the link has no RS-FEC")
    if fault.kind.plane == "scrambling" and version != 2:
        raise InputError(f"fault {name}: the link is not scrambled (version 1)")
    if name == "sync.filler" and option.word_octets == 1:
        raise InputError(f"fault {name}: option 1 has no octets beside the sync byte")
    if "y" in values and values["y"] >= option.word_octets:
        raise InputError(
            f"fault {name}: y={values['y']}, but words of option {option.name} have {option.word_octets} octets"
        )
    if name in ("vendor.value", "vendor.flip"):
        triples = cw.vendor_places(option.name, pointer_p).triples.tolist()
        if [values["ns"], values["xs"], values["y"]] not in triples:
            last = 63 if pointer_p == 0 else pointer_p - 1
            raise InputError(
                f"fault {name}: ns={values['ns']} is not vendor specific; those are 16 to {last}"
            )
    if fault.kind.plane == "reserved":
        reserved = reserved_octets(option.name, hdlc_rate_code).places.tolist()
        if [values["ns"], values["xs"], values["y"]] not in reserved:
            place = f"ns={values['ns']},xs={values['xs']},y={values['y']}"
            raise InputError(f"fault {name}: {place} is not reserved at HDLC rate code {hdlc_rate_code}")
    if fault.kind.plane == "hdlc" and hdlc_rate_code == 0:
        raise InputError(f"fault {name}: the link has no slow C&M (HDLC rate code 0)")
    if fault.kind.plane == "ethernet" and pointer_p == 0:
        raise InputError(f"fault {name}: the link has no fast C&M (pointer p = 0)")
    problem = _problem(fault, option)
    if problem:
        raise InputError(f"fault {name}: {problem}")


def _problem(fault: Fault, option: LineRateOption) -> str | None:
    """What parameters say together that cannot be."""
    name, values = fault.kind.name, fault.values
    if option.line_code == "64b66b":
        problem = block_problem(fault, option)
        if problem:
            return problem
    if name == "ethernet.code" and values["group"] not in (ERROR_GROUP, *INVALID_GROUPS):
        return f"group={values['group']} is a valid code group (H is 4)"
    if name == "ethernet.sfd" and values["nibble"] in (5, 13):
        return f"nibble={values['nibble']} is " + ("the right one" if values["nibble"] == 13 else "preamble")
    if name == "ethernet.size" and values["octets"] > 1518 and values["tag"] != 1:
        return f"octets={values['octets']} is too long without a tag; see ethernet.long"
    if name == "ethernet.long" and values["octets"] < 1523 and values["tag"] == 1:
        return f"octets={values['octets']} is legal with a tag; see ethernet.size"
    if name == "sync.byte" and K_CODES[min(values["code"], 11)] == K28_5:
        return "code=5 is the sync byte itself"
    if name == "ethernet.fcs" and 0 < values["octets"] < 64:
        return f"octets={values['octets']} is too short; see ethernet.short"
    if name == "line.burst":
        if values["count"] > values["span"]:
            return f"count={values['count']} does not fit into span={values['span']}"
        place = values["x"], values["w"], values["y"]
        on_blocks = option.line_code == "64b66b"
        first = line_bit(option, *place) if on_blocks else 10 * octet_index(option, *place)
        if first + values["span"] > option.hyperframe_line_bits:
            return f"span={values['span']} goes beyond the end of the hyperframe"
    if name in ("line.slip", "line.character", "delay.step", "delay.drift"):
        key = "characters" if name == "line.character" else "bits"
        if values[key] == 0:
            return f"{key}=0 changes nothing"
    return None


def reach(fault: Fault) -> int | None:
    """Hyperframes, from its own on, that a fault of octets, symbols or bits may touch; None = all."""
    name, values = fault.kind.name, fault.values
    if name == "sync.jump":
        return None
    if name in ("sync.comma", "sync.terminate_only", "sync.start_only"):
        return values["count"]
    if name == "sync.pattern":
        return values["mask"].bit_length()
    if name == "delay.drift":
        return (values["steps"] - 1) * values["every"] + 1
    return values.get("hyperframes", 1) or None


@dataclass(frozen=True, slots=True)
class Damaged:
    """What was done to a hyperframe: the first octet changed, which are special characters no more, and which now."""

    first: int
    loses: tuple[int, ...] = ()
    gains: tuple[int, ...] = ()


def damage_octets(fault: Fault, frame: U8, offset: int) -> Damaged:
    """Damage one hyperframe, uint8 (256, 16, T/8), in place; `offset` counts hyperframes from the fault's own."""
    name, values = fault.kind.name, fault.values
    octets = frame.shape[2]
    if name == "sync.pattern" and not fault.values["mask"] >> offset & 1:
        return Damaged(0)
    if name in SYNC_BLOCK_FAULTS or (name in ("sync.comma", "sync.pattern") and has_sync_blocks(frame)):
        return Damaged(*damage_sync_blocks(fault, frame))
    match fault.kind.plane:
        case "sync":
            return _damage_sync(fault, frame, offset)
        case "l1":
            return _damage_l1(fault, frame)
        case "iq":
            return _damage_iq(fault, frame)
        case "vendor" | "ctrl_axc" | "reserved":
            x, y = values["ns"] + 64 * values["xs"], values["y"]
            frame[x, 0, y] = (
                values["value"] if name == "vendor.value" else frame[x, 0, y] ^ 1 << values["bit"]
            )
            return Damaged(x * 16 * octets + y)
    first = (values["x"] * 16 + values["w"]) * octets + values["y"]
    frame.reshape(-1)[first] = K_CODES[values["code"]]
    return Damaged(first, gains=(first,))


def _damage_sync(fault: Fault, frame: U8, offset: int) -> Damaged:
    name, values = fault.kind.name, fault.values
    word = 16 * frame.shape[2]
    if name == "sync.comma":
        frame[0, 0, 0] = D16_2
        return Damaged(0, loses=(0,))
    if name == "sync.pattern":
        frame[0, 0, 0] = D16_2
        return Damaged(0, loses=(0,))
    if name == "sync.byte":
        data = values["code"] == D28_5
        frame[0, 0, 0] = K28_5 if data else K_CODES[values["code"]]
        return Damaged(0, loses=(0,) if data else ())
    if name == "sync.filler":
        frame[0, 0, values["y"]] = values["value"]
        return Damaged(values["y"])
    hfn = int(frame[cw.X_HFN, 0, 0])
    bfn = int(frame[cw.X_BFN_LOW, 0, 0]) | (int(frame[cw.X_BFN_HIGH, 0, 0]) & 0x0F) << 8
    sent = sent_timing(name, values, offset, bfn, hfn)
    if sent is not None:
        frame[cw.X_HFN, 0, 0] = sent[1]
        frame[cw.X_BFN_LOW, 0, 0] = sent[0] & 0xFF
        frame[cw.X_BFN_HIGH, 0, 0] = sent[0] >> 8
    return Damaged((cw.X_BFN_LOW if name.startswith("sync.bfn") else cw.X_HFN) * word)


def _damage_l1(fault: Fault, frame: U8) -> Damaged:
    name, values = fault.kind.name, fault.values
    if name in _L1_WORDS:
        x = _L1_WORDS[name]
        frame[x, 0, 0] = values["value"]
    elif name == "l1.reserved":
        x, bits = _RESERVED_BITS[values["word"]]
        frame[x, 0, 0] |= bits
    else:
        x = cw.X_ALARMS
        frame[x, 0, 0] |= values["mask"] if name == "l1.alarms" else ALARM_MASKS[name.removeprefix("l1.")]
    return Damaged(x * 16 * frame.shape[2])


def _damage_iq(fault: Fault, frame: U8) -> Damaged:
    name, values = fault.kind.name, fault.values
    octets = frame.shape[2]
    if name == "iq.flip":
        x, w, y = values["x"], values["w"], values["y"]
        frame[x, w, y] ^= 1 << values["bit"]
        return Damaged((x * 16 + w) * octets + y)
    if name == "iq.stuck":
        w, y, mask = values["w"], values["y"], 1 << values["bit"]
        held = frame[:, w, y] | np.uint8(mask)
        frame[:, w, y] = held if values["level"] else held ^ np.uint8(mask)
        return Damaged(w * octets + y)
    block = frame[:, 1:, :]
    if name == "iq.constant":
        block[:] = values["value"]
    elif name == "iq.swap":
        block[:] = (block & 0x55) << 1 | (block & 0xAA) >> 1
    else:
        bits = np.unpackbits(block.reshape(len(block), -1), axis=1, bitorder="little")
        moved = np.roll(bits, values["bits"], axis=1)
        block[:] = np.packbits(moved, axis=1, bitorder="little").reshape(block.shape)
    return Damaged(octets)


def octet_position(fault: Fault, option: LineRateOption) -> int:
    """The first octet of its hyperframe that a fault of octets, symbols or bits touches."""
    if fault.kind.layer is Layer.OCTETS:
        return damage_octets(fault, np.zeros((256, 16, option.word_octets), np.uint8), 0).first
    if fault.kind.layer is Layer.SYMBOLS:
        return symbol_position(fault, option)
    cut = cut_of(fault, 0, 0, option)
    return 0 if cut is None else cut.first_octet


def symbol_position(fault: Fault, option: LineRateOption) -> int:
    """First octet of its hyperframe that a fault of the symbol layer touches."""
    values = fault.values
    return octet_index(option, values["x"], values["w"], values["y"]) if "x" in values else 0


def damage_symbols(fault: Fault, symbols: U16, option: LineRateOption) -> None:
    """Damage the symbols of one hyperframe in place."""
    name, values = fault.kind.name, fault.values
    if name == "line.invert":
        symbols ^= np.uint16(0x3FF)
        return
    if name == "line.dark":
        symbols[:] = 0x3FF if values["level"] else 0
        return
    first = symbol_position(fault, option)
    if name == "line.flip":
        symbols[first] ^= np.uint16(1 << values["bit"])
        return
    if name == "line.burst":
        where = np.arange(values["count"])
        if values["seed"]:
            where = np.random.default_rng(values["seed"]).permutation(values["span"])[: values["count"]]
        turned = np.uint16(1) << (where % 10).astype(np.uint16)
        np.bitwise_xor.at(symbols, first + where // 10, turned)
        return
    step = option.basic_frame_octets
    where = (first + step * np.arange(values["count"])) % option.hyperframe_octets
    symbols[where] = [_illegal_at(symbols, int(position)) for position in where]


def _illegal_at(symbols: U16, position: int) -> int:
    """A symbol that is in neither column and leaves the running disparity as the right one would.

    Every such symbol sets the disparity; where the right one keeps it, the last that set it decides.
    """
    t = tables()
    effects = t.effect[symbols[: position + 1]]
    setting = np.flatnonzero(effects)
    effect = effects[setting[-1]] if len(setting) else 1
    illegal = np.flatnonzero(~(t.legal[0] | t.legal[1]))
    return int(illegal[np.argmax(t.effect[illegal] == effect)])


@dataclass(frozen=True, slots=True)
class Cut:
    """`bits` line bits more (negative: fewer) at bit `at` of hyperframe `hyperframe`, counted from 0 there.

    `unit` is the line bits of a character, or of a block; `at_codeword` puts it off to the next codeword.
    """

    hyperframe: int
    at: int
    bits: int
    unit: int = 10
    at_codeword: bool = False

    @property
    def whole(self) -> bool:
        """Whole characters at a character's boundary: any form with octets or symbols can show it."""
        return self.bits % self.unit == 0 and self.at % self.unit == 0

    @property
    def first_octet(self) -> int:
        """The octet of the hyperframe that the cut stands before or in."""
        return self.at // 10 if self.unit == 10 else self.at // self.unit * 8


def cut_of(fault: Fault, hyperframe: int, offset: int, option: LineRateOption) -> Cut | None:
    """The cut that a fault of the bit layer makes in a hyperframe, `offset` after its own."""
    bits = cut_bits(fault.kind.name, fault.values, offset)
    if not bits:
        return None
    if fault.kind.name == "line.character" and option.line_code == "64b66b":
        bits = bits // 10 * 66
    at = octet_index(option, fault.values["x"], 8, 0) if "x" in fault.values else 0
    in_the_middle = fault.kind.name == "line.slip"
    if option.line_code == "64b66b":
        at_codeword = fault.kind.name == "fec.phase"
        return Cut(hyperframe, 66 * (at // 8) + 33 * in_the_middle, bits, 66, at_codeword)
    return Cut(hyperframe, 10 * at + 5 * in_the_middle, bits)


def move_bits(bits: U8, at: int, change: int) -> U8:
    """Unpacked line bits with `change` more from `at` on, in turn unlike and like the next, or fewer."""
    if change < 0:
        return np.delete(bits, slice(at, at - change))
    pattern = (np.arange(change, dtype=np.uint8) + 1 + bits[at]) & 1
    return np.concatenate((bits[:at], pattern.astype(np.uint8), bits[at:]))
