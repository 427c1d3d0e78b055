"""Puts faults into a stream at their layers: pure, given the stream and the fault; nothing here is random."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decoders.code_4b5b import ERROR_GROUP, INVALID_GROUPS
from decoders.code_8b10b import tables
from decoders.controlwords import vendor_places
from decoders.ethernet import EthernetDamage
from decoders.frames import octet_index
from decoders.hdlc import HdlcDamage
from decoders.linerates import LineRateOption

from ..errors import InputError
from .catalogue import Fault

__all__ = [
    "check_fault",
    "damage_octets",
    "damage_symbols",
    "disparity_position",
    "ethernet_damage",
    "hdlc_damage",
    "slip_bits",
]

U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]
D16_2 = 0x50


def check_fault(fault: Fault, option: LineRateOption, pointer_p: int, hdlc_rate_code: int) -> None:
    """InputError where the fault has no place in a link with these settings."""
    name, values = fault.kind.name, fault.values
    if "y" in values and values["y"] >= option.word_octets:
        raise InputError(
            f"fault {name}: y={values['y']}, but words of option {option.name} have {option.word_octets} octets"
        )
    if name == "vendor.value":
        triples = vendor_places(option.name, pointer_p).triples.tolist()
        if [values["ns"], values["xs"], values["y"]] not in triples:
            last = 63 if pointer_p == 0 else pointer_p - 1
            raise InputError(
                f"fault {name}: ns={values['ns']} is not vendor specific; those are 16 to {last}"
            )
    if fault.kind.plane == "hdlc" and hdlc_rate_code == 0:
        raise InputError(f"fault {name}: the link has no slow C&M (HDLC rate code 0)")
    if fault.kind.plane == "ethernet" and pointer_p == 0:
        raise InputError(f"fault {name}: the link has no fast C&M (pointer p = 0)")
    if name == "ethernet.code" and values["group"] not in (ERROR_GROUP, *INVALID_GROUPS):
        raise InputError(f"fault {name}: group={values['group']} is a valid code group (H is 4)")


def hdlc_damage(fault: Fault) -> HdlcDamage:
    """The damage of an hdlc.* fault."""
    if fault.kind.name == "hdlc.fcs":
        return HdlcDamage(fcs_xor=fault.values["xor"])
    return HdlcDamage(abort_after_octets=fault.values["after"])


def ethernet_damage(fault: Fault) -> EthernetDamage:
    """The damage of an ethernet.* fault."""
    if fault.kind.name == "ethernet.fcs":
        return EthernetDamage(fcs_xor=fault.values["xor"])
    return EthernetDamage(bad_group_at=fault.values["at"], bad_group=fault.values["group"])


def damage_octets(fault: Fault, frame: U8, offset: int) -> tuple[int, bool] | None:
    """Damage one hyperframe, uint8 (256, 16, T/8), in place.

    `offset` counts hyperframes from the fault's own. Returns the first octet damaged and whether the sync
    byte lost its K, or None where the fault does not reach this hyperframe.
    """
    name, values = fault.kind.name, fault.values
    octets = frame.shape[2]
    if name == "sync.comma":
        if offset >= values["count"]:
            return None
        frame[0, 0, 0] = D16_2
        return 0, True
    if name == "vendor.value":
        if values["hyperframes"] and offset >= values["hyperframes"]:
            return None
        x = values["ns"] + 64 * values["xs"]
        frame[x, 0, values["y"]] = values["value"]
        return (x * 16) * octets + values["y"], False
    if offset:
        return None
    if name == "sync.hfn":
        frame[64, 0, 0] = values["value"]
        return 64 * 16 * octets, False
    if name == "sync.bfn":
        frame[128, 0, 0] ^= values["xor"] & 0xFF
        frame[192, 0, 0] ^= values["xor"] >> 8
        return 128 * 16 * octets, False
    if name == "iq.flip":
        x, w, y = values["x"], values["w"], values["y"]
        frame[x, w, y] ^= 1 << values["bit"]
        return (x * 16 + w) * octets + y, False
    raise AssertionError(f"{name} does not damage octets")


def disparity_position(fault: Fault, option: LineRateOption) -> int:
    """Octet of the hyperframe from which on line.disparity turns the disparity over."""
    return octet_index(option, fault.values["x"], fault.values["w"], fault.values["y"])


def damage_symbols(fault: Fault, symbols: U16, option: LineRateOption) -> int:
    """Damage the symbols of one hyperframe in place; the first place damaged."""
    values = fault.values
    first = octet_index(option, values["x"], values["w"], values["y"])
    if fault.kind.name == "line.flip":
        symbols[first] ^= np.uint16(1 << values["bit"])
        return first
    step = option.basic_frame_octets
    where = (first + step * np.arange(values["count"])) % option.hyperframe_octets
    symbols[where] = [_illegal_at(symbols, int(position)) for position in where]
    return first


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


def slip_bits(fault: Fault, bits: U8, first_bit: int, option: LineRateOption) -> U8:
    """Unpacked line bits with one inserted or deleted; `first_bit` is where the fault's hyperframe begins."""
    at = first_bit + 10 * octet_index(option, fault.values["x"], 8, 0) + 5
    return np.delete(bits, at) if fault.values["bits"] < 0 else np.insert(bits, at, 1 - bits[at])
