"""Basic frame and hyperframe: addresses, the construct definitions, and numpy views of the same octets.

CPRI clause 4.2.7.1 (frame structure) and 4.2.7.2 (control words). An octet has the address #Z.X.W.Y and lies
at n = X*16*T/8 + W*T/8 + Y of its hyperframe. construct describes and builds single hyperframes and control
fields; everything that runs at line speed takes `hyperframe_view` of the same bytes.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import construct as cs

from ..arrays import U8
from ..errors import LayoutError
from ..linerates import BASIC_FRAMES_PER_HYPERFRAME, WORDS_PER_BASIC_FRAME, LineRateOption, option_named

__all__ = [
    "ALARM_BITS",
    "alarm_octet",
    "basic_frame",
    "control_column",
    "control_words",
    "hyperframe",
    "hyperframe_view",
    "iq_view",
    "octet_address",
    "octet_index",
]

alarm_octet = cs.BitStruct(
    "reserved" / cs.BitsInteger(3),
    "lof" / cs.Flag,
    "los" / cs.Flag,
    "sdi" / cs.Flag,
    "rai" / cs.Flag,
    "reset" / cs.Flag,
)
"""Z.130.0: reset, RAI, SDI, LOS, LOF from bit 0 upwards (clause 4.2.7.6, Table 13)."""

ALARM_BITS = {"reset": 0x01, "rai": 0x02, "sdi": 0x04, "los": 0x08, "lof": 0x10}

rate_octet = cs.BitStruct("reserved" / cs.BitsInteger(5), "hdlc_rate_code" / cs.BitsInteger(3))
"""Z.66.0: HDLC rate code in bits 2..0 (Table 11)."""

pointer_octet = cs.BitStruct("reserved" / cs.BitsInteger(2), "pointer_p" / cs.BitsInteger(6))
"""Z.194.0: pointer p in bits 5..0 (clause 4.2.7.7.2)."""


@cache
def basic_frame(option_name: str) -> Any:
    """One basic frame: the control word W=0 and the IQ data block W=1..15 (clause 4.2.7.1.1)."""
    octets = option_named(option_name).word_octets
    return cs.Struct("control" / cs.Bytes(octets), "iq" / cs.Bytes(15 * octets))


@cache
def hyperframe(option_name: str) -> Any:
    """A whole hyperframe as 256 basic frames; parse and build."""
    return cs.Struct("basic_frames" / cs.Array(BASIC_FRAMES_PER_HYPERFRAME, basic_frame(option_name)))


@cache
def control_words(option_name: str) -> Any:
    """The 256 control words of a hyperframe (its W=0 column) by meaning, and as words."""
    octets = option_named(option_name).word_octets

    def word(x: int, content: Any) -> Any:
        return cs.Pointer(x * octets, content)

    return cs.Struct(
        "sync" / word(0, cs.Byte),
        "filler" / cs.Pointer(1, cs.Bytes(octets - 1)),
        "hfn" / word(64, cs.Byte),
        "bfn_low" / word(128, cs.Byte),
        "bfn_high" / word(192, cs.Byte),
        "bfn" / cs.Computed(lambda this: this.bfn_low | (this.bfn_high & 15) << 8),
        "version" / word(2, cs.Byte),
        "rate" / word(66, rate_octet),
        "alarms" / word(130, alarm_octet),
        "pointer" / word(194, pointer_octet),
        "words" / cs.Array(BASIC_FRAMES_PER_HYPERFRAME, cs.Bytes(octets)),
    )


def octet_index(option: LineRateOption, x: int, w: int, y: int) -> int:
    """Linear index of octet #Z.X.W.Y in its hyperframe."""
    octets = option.word_octets
    if not (0 <= x < BASIC_FRAMES_PER_HYPERFRAME and 0 <= w < WORDS_PER_BASIC_FRAME and 0 <= y < octets):
        raise LayoutError(f"#Z.{x}.{w}.{y} is outside a hyperframe of option {option.name} (Y < {octets})")
    return (x * WORDS_PER_BASIC_FRAME + w) * octets + y


def octet_address(option: LineRateOption, index: int) -> tuple[int, int, int]:
    """(X, W, Y) of the octet at linear `index` of a hyperframe."""
    if not 0 <= index < option.hyperframe_octets:
        raise LayoutError(f"octet {index} is outside a hyperframe of {option.hyperframe_octets} octets")
    word, y = divmod(index, option.word_octets)
    x, w = divmod(word, WORDS_PER_BASIC_FRAME)
    return x, w, y


def hyperframe_view(octets: U8, option: LineRateOption) -> U8:
    """View (n, 256, 16, T/8) of n whole hyperframes of octets: [z, X, W, Y]; no copy."""
    if octets.size % option.hyperframe_octets:
        raise LayoutError(f"{octets.size} octets are not whole hyperframes of option {option.name}")
    shape = (-1, BASIC_FRAMES_PER_HYPERFRAME, WORDS_PER_BASIC_FRAME, option.word_octets)
    return octets.reshape(shape)


def control_column(view: U8) -> U8:
    """View (n, 256, T/8) of the control words of `hyperframe_view`."""
    return view[:, :, 0, :]


def iq_view(view: U8) -> U8:
    """View (n, 256, 15, T/8) of the IQ data blocks of `hyperframe_view`."""
    return view[:, :, 1:, :]
