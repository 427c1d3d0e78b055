"""The 256 control words and their owners: subchannel Ns and word index Xs, X = Ns + 64*Xs.

CPRI clause 4.2.7.2 to 4.2.7.7. Which plane owns a subchannel depends on the pointer p alone (and, for the
Ctrl_AxC subchannels 4..7, on the version of the specification: V4.1 and later). Octets of a plane are always
taken in time order: X ascending, then Y ascending.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from ..errors import SettingsError
from ..events import Plane
from ..linerates import LineRateOption, option_named

__all__ = [
    "POINTER_MIN",
    "Places",
    "ethernet_places",
    "hdlc_places",
    "l1_fields",
    "pointer_is_valid",
    "reserved_places",
    "subchannel_name",
    "subchannel_owners",
    "subchannel_places",
    "vendor_places",
]

POINTER_MIN = 20
"""Smallest pointer p of a fast C&M channel (clause 4.2.7.7.2)."""
X_VERSION, X_RATE, X_ALARMS, X_POINTER = 2, 66, 130, 194
X_HFN, X_BFN_LOW, X_BFN_HIGH = 64, 128, 192


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Control octets of one plane in time order.

    `flat` int64 (k,): index X*(T/8) + Y into the control column of one hyperframe; `triples` uint8 (k, 3):
    (Ns, Xs, Y) of the same octets.
    """

    flat: NDArray[np.intp]
    triples: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.flat)


def pointer_is_valid(pointer_p: int) -> bool:
    """True for 0 (no fast C&M) and 20..63."""
    return pointer_p == 0 or POINTER_MIN <= pointer_p <= 63


def subchannel_owners(pointer_p: int, *, ctrl_axc: bool = True) -> tuple[Plane, ...]:
    """Owner of each of the 64 subchannels; an invalid p counts as no fast C&M.

    `ctrl_axc` False is the reading of V1 to V3, where subchannels 4..7 are reserved.
    """
    p = pointer_p if pointer_is_valid(pointer_p) and pointer_p else 64
    owners = [Plane.SYNC, Plane.HDLC, Plane.L1, Plane.RESERVED]
    owners += [Plane.CTRL_AXC if ctrl_axc else Plane.RESERVED] * 4 + [Plane.RESERVED] * 8
    owners += [Plane.VENDOR] * (p - 16) + [Plane.ETHERNET] * (64 - p)
    return tuple(owners)


def subchannel_name(ns: int, pointer_p: int) -> str:
    """Purpose of a subchannel in the words of the standard."""
    names = ("sync and timing", "slow C&M (HDLC)", "L1 inband protocol", "reserved")
    if ns < 4:
        return names[ns]
    return {
        Plane.CTRL_AXC: "Ctrl_AxC",
        Plane.RESERVED: "reserved",
        Plane.VENDOR: "vendor specific",
        Plane.ETHERNET: "fast C&M (Ethernet)",
    }[subchannel_owners(pointer_p)[ns]]


def _places(option: LineRateOption, triples: list[tuple[int, int, int]]) -> Places:
    triples.sort(key=lambda t: (t[0] + 64 * t[1], t[2]))
    table = np.array(triples, np.uint8).reshape(-1, 3)
    x = table[:, 0].astype(np.intp) + 64 * table[:, 1].astype(np.intp)
    return Places(x * option.word_octets + table[:, 2], table)


@cache
def subchannel_places(option_name: str, first: int, last: int) -> Places:
    """Octets of the subchannels first..last-1, with Y < 16 (the classic control channel)."""
    option = option_named(option_name)
    cells = [
        (ns, xs, y) for xs in range(4) for ns in range(first, last) for y in range(option.control_octets)
    ]
    return _places(option, cells)


def vendor_places(option_name: str, pointer_p: int) -> Places:
    """Vendor specific octets: subchannels 16..p-1, or 16..63 without fast C&M (clause 4.2.7.7.3)."""
    fast = POINTER_MIN <= pointer_p <= 63
    return subchannel_places(option_name, 16, pointer_p if fast else 64)


def ethernet_places(option_name: str, pointer_p: int) -> Places:
    """Fast C&M octets: subchannels p..63; none for p = 0 or an invalid p (clause 4.2.7.7.2)."""
    fast = POINTER_MIN <= pointer_p <= 63
    return subchannel_places(option_name, pointer_p if fast else 64, 64)


@cache
def hdlc_places(option_name: str, rate_code: int) -> Places:
    """Slow C&M octets of the HDLC rate code (Table 11); none where the code is not valid for this option.

    At 240 kbit/s the channel has Z.1.0 and Z.129.0 (from memory, medium confidence).
    """
    option = option_named(option_name)
    octets = option.hdlc_octets(rate_code)
    if not octets:
        return _places(option, [])
    if octets == 2:
        return _places(option, [(1, 0, 0), (1, 2, 0)])
    return _places(option, [(1, xs, y) for xs in range(4) for y in range(octets // 4)])


@cache
def reserved_places(option_name: str, rate_code: int, *, ctrl_axc: bool = True) -> Places:
    """Octets that are to be sent as 0 and ignored.

    Subchannels 3 and 8..15 (and 4..7 before V4), what the HDLC rate leaves of subchannel 1, and Y >= 1 in
    the words of subchannels 0 and 2, but for the fillers beside the sync byte.
    """
    option = option_named(option_name)
    used = {tuple(t) for t in hdlc_places(option_name, rate_code).triples.tolist()}
    rows = [3, *range(8, 16)] + ([] if ctrl_axc else [4, 5, 6, 7])
    octets = range(option.control_octets)
    cells = [(ns, xs, y) for ns in rows for xs in range(4) for y in octets]
    cells += [(1, xs, y) for xs in range(4) for y in octets if (1, xs, y) not in used]
    cells += [(ns, xs, y) for ns in (0, 2) for xs in range(4) for y in octets[1:] if (ns, xs) != (0, 0)]
    return _places(option, cells)


@dataclass(frozen=True, slots=True)
class L1Fields:
    """The L1 inband octets of n hyperframes, each uint8 (n,), as received (clause 4.2.7.6)."""

    version: NDArray[np.uint8]
    rate: NDArray[np.uint8]
    alarms: NDArray[np.uint8]
    pointer: NDArray[np.uint8]


def l1_fields(control: NDArray[np.uint8]) -> L1Fields:
    """Subchannel 2 of a control column (n, 256, T/8); the fields without their reserved bits."""
    return L1Fields(
        control[:, X_VERSION, 0].copy(),
        control[:, X_RATE, 0] & np.uint8(0x07),
        control[:, X_ALARMS, 0] & np.uint8(0x1F),
        control[:, X_POINTER, 0] & np.uint8(0x3F),
    )


def check_pointer(pointer_p: int) -> None:
    """SettingsError unless p may be sent on purpose."""
    if not pointer_is_valid(pointer_p):
        raise SettingsError(f"pointer p = {pointer_p}: 0 (no fast C&M) or 20 to 63")
