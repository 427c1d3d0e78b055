"""Faults of slow and fast C&M: one damaged frame more in the queue, and legal traffic that looks odd.

ISO/IEC 13239 (HDLC), IEEE 802.3 clauses 3, 4 and 24 (Ethernet over 4B/5B). A fault here takes effect with its
frame, after what is queued already; where the stream ends before the frame has left, nothing moves.
"""

from __future__ import annotations

from collections.abc import Callable

from .kinds import PRACTICE, Context, Expectation, FaultKind, Layer, Parameter, Values, because

__all__ = ["CHANNEL_FAULTS", "DELIMITERS", "LONGEST_PREAMBLE", "waiting_hyperframes"]

DELIMITERS = ("ssd_j", "ssd_k", "esd_t", "esd_r", "idle", "nibble")
"""What ethernet.delimiter breaks, by number."""
LONGEST_PREAMBLE = 32
"""Nibbles 5 before the SFD that a receiver lets pass (common practice, no source)."""

_WHY = "traffic: the frame takes the room of others, which leave later or not at all"
_WAITING = {"hdlc": 160, "ethernet": 800}
"""Coded octets of the longest frame of the traffic, which may be on its way before."""


def waiting_hyperframes(plane: str, context: Context) -> int:
    """Hyperframes until the frames that are queued already have left."""
    return 2 + _WAITING[plane] // _octets(plane, context)


def _octets(plane: str, context: Context) -> int:
    return context.hdlc_octets if plane == "hdlc" else context.ethernet_octets


def _within(plane: str, octets: int, context: Context) -> int:
    coded = octets * (6 if plane == "hdlc" else 5) // (5 if plane == "hdlc" else 4) + 16
    return 2 + (_WAITING[plane] + coded) // _octets(plane, context)


def _one(counter: str | None, longest: Callable[[Values], int]) -> Callable[[Values, Context], Expectation]:
    """Exactly one frame under `counter` (None: nothing but good frames); `longest`: octets of the frames sent."""

    def expect(values: Values, context: Context) -> Expectation:
        plane = "hdlc" if counter is None or counter.startswith("hdlc") else "ethernet"
        return _frame(plane, counter, longest(values), context)

    return expect


def _frame(plane: str, counter: str | None, octets: int, context: Context) -> Expectation:
    exact = {} if counter is None else {counter: 1}
    within = _within(plane, octets, context)
    return Expectation(exact, tolerated=because(_WHY, (f"{plane}_frames",)), within_hyperframes=within)


def _stuffing(values: Values, context: Context) -> Expectation:
    return _frame("hdlc", "hdlc_aborts" if values["ones"] else "hdlc_unaligned", 130, context)


def _preamble(values: Values, context: Context) -> Expectation:
    counter = "ethernet_delimiter_errors" if values["fives"] > LONGEST_PREAMBLE else None
    return _frame("ethernet", counter, 700, context)


def _benign_ethernet(octets: Callable[[Values], int]) -> Callable[[Values, Context], Expectation]:
    return lambda values, context: _frame("ethernet", None, octets(values), context)


_HDLC = "ISO/IEC 13239"

_SLOW = (
    FaultKind(
        "hdlc.fcs",
        Layer.CHANNEL,
        "send one HDLC frame with a wrong FCS",
        f"{_HDLC}: FCS-16",
        (
            Parameter("xor", 1, 0xFFFF, 0x0001, "", "bits of the FCS that are inverted"),
            Parameter("octets", 0, 2048, 0, "octets", "length, FCS included; 0 = as the traffic's"),
        ),
        _one("hdlc_fcs_errors", lambda v: v["octets"] or 130),
    ),
    FaultKind(
        "hdlc.fcs_order",
        Layer.CHANNEL,
        "send one HDLC frame whose FCS is right but for its form",
        f"{_HDLC}: register preset to ones, complemented, low octet and low bit first",
        (
            Parameter(
                "order",
                0,
                3,
                0,
                "",
                "0 = octets exchanged, 1 = bits reversed, 2 = not complemented, 3 = register preset to zeros",
            ),
        ),
        _one("hdlc_fcs_errors", lambda v: 130),
    ),
    FaultKind(
        "hdlc.data",
        Layer.CHANNEL,
        "invert one bit of an HDLC frame, or the same bit of two octets, under the FCS of the right data",
        f"{_HDLC}: FCS-16; a parity or a sum of octets would miss two",
        (
            Parameter("octet", 0, 60, 5, "", "octet of the frame, from 0"),
            Parameter("bit", 0, 7, 0, "", "bit of the octet"),
            Parameter("apart", 0, 32, 0, "octets", "to the second octet; 0 = one bit only"),
        ),
        _one("hdlc_fcs_errors", lambda v: 260),
    ),
    FaultKind(
        "hdlc.size",
        Layer.CHANNEL,
        "send one HDLC frame of a legal length",
        f"{_HDLC}: 4 octets or more; longest frame 2048 octets: {PRACTICE}",
        (Parameter("octets", 4, 2048, 4, "octets", "length, FCS included"),),
        _one(None, lambda v: v["octets"]),
    ),
    FaultKind(
        "hdlc.content",
        Layer.CHANNEL,
        "send good HDLC frames of one octet over and over, the same frame once or more",
        f"{_HDLC}: transparent to any data, by stuffed zeros alone; every frame is delivered",
        (
            Parameter("octet", 0, 255, 255, "", "every octet of the frame but its FCS"),
            Parameter("octets", 4, 2048, 40, "octets", "length, FCS included"),
            Parameter("frames", 1, 16, 1, "frames", "how many, all alike"),
        ),
        _one(None, lambda v: v["octets"] * v["frames"]),
    ),
    FaultKind(
        "hdlc.idle",
        Layer.CHANNEL,
        "idle between two HDLC frames in another form",
        f"{_HDLC}: flags or ones between frames; fewer than 8 bits behind a flag are no frame",
        (
            Parameter(
                "how",
                0,
                4,
                2,
                "",
                "0 = flags, 1 = flags with a shared zero, 2 = 15 ones, 3 = seven ones and a flag, 4 = 40 ones",
            ),
            Parameter("times", 1, 20, 1, "", "how often"),
        ),
        _one(None, lambda v: 160 + 5 * v["times"]),
    ),
    FaultKind(
        "hdlc.abort_at",
        Layer.CHANNEL,
        "send seven ones some bits behind a flag",
        f"{_HDLC}: abort; with fewer than 8 bits before them the channel falls idle ({PRACTICE})",
        (Parameter("bits", 0, 64, 8, "bits", "between the flag and the ones"),),
        lambda v, c: _frame("hdlc", "hdlc_aborts" if v["bits"] >= 8 else None, 140, c),
        lambda _: True,
    ),
    FaultKind(
        "hdlc.abort",
        Layer.CHANNEL,
        "abort one HDLC frame with seven ones",
        f"{_HDLC}: abort",
        (Parameter("after", 2, 64, 4, "octets", "octets of the frame sent before"),),
        _one("hdlc_aborts", lambda v: 130),
    ),
    FaultKind(
        "hdlc.abort_close",
        Layer.CHANNEL,
        "end one HDLC frame, its right FCS behind it, with seven ones in place of its closing flag",
        f"{_HDLC}: abort; a frame that a flag does not close is none",
        (),
        _one("hdlc_aborts", lambda v: 130),
    ),
    FaultKind(
        "hdlc.short",
        Layer.CHANNEL,
        "send one HDLC frame that is too short",
        f"{_HDLC}: address, control and FCS are 4 octets",
        (Parameter("octets", 2, 3, 3, "octets", "length, FCS included"),),
        _one("hdlc_too_short", lambda v: 4),
    ),
    FaultKind(
        "hdlc.long",
        Layer.CHANNEL,
        "send one HDLC frame that is too long",
        f"longest frame 2048 octets: {PRACTICE}",
        (Parameter("octets", 2049, 4000, 2049, "octets", "length, FCS included"),),
        _one("hdlc_too_long", lambda v: v["octets"]),
    ),
    FaultKind(
        "hdlc.unaligned",
        Layer.CHANNEL,
        "send one HDLC frame with bits missing before its closing flag",
        f"{_HDLC}: a frame has whole octets",
        (Parameter("drop_bits", 1, 7, 3, "bits", "how many"),),
        _one("hdlc_unaligned", lambda v: 130),
    ),
    FaultKind(
        "hdlc.stuffing",
        Layer.CHANNEL,
        "delete one stuffed zero of one HDLC frame",
        f"{_HDLC}: a zero after five ones; without it a zero of the data is taken away, or seven ones abort",
        (Parameter("ones", 0, 1, 0, "", "what follows the five ones: 0 = a zero, 1 = more ones"),),
        _stuffing,
    ),
    FaultKind(
        "hdlc.flag",
        Layer.CHANNEL,
        "replace the flag between two HDLC frames, so that they merge",
        f"{_HDLC}: the FCS of the second does not cover the first",
        (Parameter("octet", 0, 255, 0x7A, "", "octet that stands where the flag was"),),
        _one("hdlc_fcs_errors", lambda v: 260),
    ),
    FaultKind(
        "hdlc.join",
        Layer.CHANNEL,
        "let HDLC frames meet in a way that is legal",
        f"{_HDLC}: one flag may close and open; two flags may share a zero",
        (
            Parameter(
                "how", 0, 2, 1, "", "0 = two flags, 1 = one shared flag, 2 = two flags with a shared zero"
            ),
            Parameter("frames", 1, 16, 3, "frames", "how many, each met by the next"),
        ),
        _one(None, lambda v: 130 * (v["frames"] + 1)),
    ),
)

_ETHERNET = "IEEE 802.3 clause"

_FAST = (
    FaultKind(
        "ethernet.fcs",
        Layer.CHANNEL,
        "send one Ethernet frame with a wrong FCS",
        f"{_ETHERNET} 3.2.9",
        (
            Parameter("xor", 1, 0xFFFFFFFF, 0x00000001, "", "bits of the FCS that are inverted"),
            Parameter(
                "octets", 0, 1518, 0, "octets", "length, FCS included; 0 = as the traffic's, else 64 or more"
            ),
        ),
        _one("ethernet_fcs_errors", lambda v: 700 + v["octets"]),
    ),
    FaultKind(
        "ethernet.fcs_order",
        Layer.CHANNEL,
        "send one Ethernet frame whose FCS is right but for its form",
        f"{_ETHERNET} 3.2.9: register preset to ones, complemented",
        (
            Parameter(
                "order",
                0,
                3,
                0,
                "",
                "0 = octets reversed, 1 = bits reversed, 2 = not complemented, 3 = register preset to zeros",
            ),
        ),
        _one("ethernet_fcs_errors", lambda v: 700),
    ),
    FaultKind(
        "ethernet.data",
        Layer.CHANNEL,
        "invert one bit of an Ethernet frame, or the same bit of two octets, under the FCS of the right data",
        f"{_ETHERNET} 3.2.9; a parity or a sum of octets would miss two",
        (
            Parameter("octet", 0, 40, 20, "", "octet of the frame, from 0"),
            Parameter("bit", 0, 7, 0, "", "bit of the octet"),
            Parameter("apart", 0, 16, 0, "octets", "to the second octet; 0 = one bit only"),
        ),
        _one("ethernet_fcs_errors", lambda v: 700),
    ),
    FaultKind(
        "ethernet.code",
        Layer.CHANNEL,
        "insert a 4B/5B code group that is H or invalid into one Ethernet frame",
        "IEEE 802.3 table 24-1; one in the preamble spoils the frame, too: clause 22.2.1.5 (from memory)",
        (
            Parameter(
                "at",
                -14,
                120,
                40,
                "nibbles",
                "place behind the SFD, from 0; -1 = the D of the SFD, -2 to -14 = in the preamble",
            ),
            Parameter("group", 0, 31, 0b00100, "", "code group, first bit on the line as its highest"),
        ),
        _one("ethernet_code_errors", lambda v: 700),
    ),
    FaultKind(
        "ethernet.delimiter",
        Layer.CHANNEL,
        "corrupt a delimiter of one Ethernet frame",
        f"{_ETHERNET} 24.2.4: SSD J K, ESD T R",
        (
            Parameter(
                "which",
                0,
                5,
                3,
                "",
                "deleted: 0 = J, 1 = K, 2 = T, 3 = R; inserted: 4 = idle in the frame, 5 = an odd nibble",
            ),
        ),
        _one("ethernet_delimiter_errors", lambda v: 700),
    ),
    FaultKind(
        "ethernet.sfd",
        Layer.CHANNEL,
        "send one Ethernet frame with another nibble as its start frame delimiter",
        f"{_ETHERNET} 3.2.2",
        (Parameter("nibble", 0, 15, 0xC, "", "nibble sent; 13 is right, and 5 is preamble"),),
        _one("ethernet_delimiter_errors", lambda v: 700),
    ),
    FaultKind(
        "ethernet.preamble",
        Layer.CHANNEL,
        "send one Ethernet frame with a preamble of another length",
        f"{_ETHERNET} 4.2.5; how long a receiver waits for the SFD: {PRACTICE}",
        (Parameter("fives", 0, 60, 3, "nibbles", "nibbles 5 before the SFD; 13 is right, up to 32 pass"),),
        _preamble,
    ),
    FaultKind(
        "ethernet.short",
        Layer.CHANNEL,
        "send one Ethernet frame that is too short",
        f"{_ETHERNET} 4.4.2: minFrameSize is 64 octets",
        (Parameter("octets", 5, 63, 63, "octets", "length, FCS included"),),
        _one("ethernet_too_short", lambda v: 64),
    ),
    FaultKind(
        "ethernet.long",
        Layer.CHANNEL,
        "send one Ethernet frame that is too long",
        f"{_ETHERNET} 3.2.7: 1518 octets, 1522 with a tag",
        (
            Parameter("octets", 1519, 3000, 1519, "octets", "length, FCS included"),
            Parameter(
                "tag",
                0,
                2,
                0,
                "",
                "1 = with a VLAN tag; then from 1523 on; 2 = type 0x81FF, then 0x8100: no tag",
            ),
        ),
        _one("ethernet_too_long", lambda v: v["octets"]),
    ),
    FaultKind(
        "ethernet.size",
        Layer.CHANNEL,
        "send one Ethernet frame of a legal length",
        f"{_ETHERNET} 3.2.7: 64 to 1518 octets, 1522 with a tag",
        (
            Parameter("octets", 64, 1522, 1518, "octets", "length, FCS included"),
            Parameter(
                "tag",
                0,
                3,
                0,
                "",
                "1 = with a VLAN tag, as it must be from 1519 on; 2 = type 0x81FF, then 0x8100; 3 = length 8, padded",
            ),
        ),
        _benign_ethernet(lambda v: v["octets"]),
    ),
    FaultKind(
        "ethernet.content",
        Layer.CHANNEL,
        "send good Ethernet frames of one octet over and over, the same frame once or more",
        f"{_ETHERNET} 3.2.3 and 3.2.7: any destination, any data; every frame is delivered",
        (
            Parameter("octet", 0, 255, 255, "", "every octet of the data behind the type"),
            Parameter("octets", 64, 1518, 64, "octets", "length, FCS included"),
            Parameter("frames", 1, 16, 1, "frames", "how many, all alike"),
            Parameter(
                "to",
                0,
                3,
                1,
                "",
                "destination: 0 = a station, 1 = a group, 2 = all stations, 3 = a group that bridges do not pass on",
            ),
        ),
        _benign_ethernet(lambda v: v["octets"] * v["frames"]),
    ),
    FaultKind(
        "ethernet.gap",
        Layer.CHANNEL,
        "send one Ethernet frame close behind another",
        f"{_ETHERNET} 4.4.2: 96 bit times; a receiver may do with less ({PRACTICE})",
        (Parameter("groups", 1, 24, 1, "idle groups", "between R and J"),),
        _benign_ethernet(lambda v: 1400),
    ),
)

CHANNEL_FAULTS = _SLOW + _FAST
