"""Mutants of slow C&M (HDLC), 4B/5B and fast C&M (Ethernet)."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import Any

from decoders.cm_plane.ethernet import EthernetFrame

from .declaration import Mutant, fast_frames, parts, rearranged, settings
from .serial_ethernet import GROUPS, EthernetRules, SerialEthernet
from .serial_hdlc import HdlcRules, SerialHdlc

HDLC, FCS16, ETHERNET, CODE_4B5B = (
    "ISO/IEC 13239", "RFC 1662 appendix C", "IEEE 802.3 clauses 3 and 4", "IEEE 802.3 clause 24",
)  # fmt: skip


def hdlc(**changes: Any) -> Any:
    return parts(hdlc=lambda **given: SerialHdlc(HdlcRules(**changes)))


def ethernet(**changes: Any) -> Any:
    return parts(ethernet=lambda **given: SerialEthernet(EthernetRules(**changes)))


def exchanged_groups(a: int, b: int) -> Any:
    table = {group: {a: b, b: a}.get(nibble, nibble) for group, nibble in GROUPS.items()}
    return MappingProxyType(table)


def slow_words_late(control: Any) -> None:
    """X = 65 and X = 129 exchanged."""
    control[:, (65, 129)] = control[:, (129, 65)]


def slow_octets_turned(control: Any) -> None:
    """Y descending."""
    for x in (1, 65, 129, 193):
        control[:, x] = control[:, x, ::-1]


def fast_by_subchannel(control: Any) -> None:
    """Ns first, then Xs, from p = 40 on."""
    words = control.reshape(len(control), 4, 64, -1)
    fast = words[:, :, 40:].copy()
    order = fast.transpose(0, 2, 1, 3).reshape(fast.shape)
    words[:, :, 40:] = order


def fast_octets_turned(control: Any) -> None:
    words = control.reshape(len(control), 4, 64, -1)
    words[:, :, 40:] = words[:, :, 40:, ::-1].copy()


def off_by_one_word(control: Any) -> None:
    """The first fast C&M word is p + 1."""
    words = control.reshape(len(control), 4, 64, -1)
    words[:, :, 40:63] = words[:, :, 41:].copy()


class Fragile(SerialHdlc):
    """Takes the control field of a frame that has none."""

    def receive(self, octets: Any) -> Any:
        frames = super().receive(octets)
        if any(frame.status == "too_short" for frame in frames):
            raise IndexError("no control field")
        return frames


CHECK = ("hdlc.fcs*", "known:check_sequences")
SEQUENCE = ("ethernet.fcs*", "known:check_sequences")


def without_padding(frame: EthernetFrame) -> EthernetFrame:
    """What is behind the length that stands in place of the type is taken for padding."""
    length = int.from_bytes(frame.data[12:14], "big")
    return replace(frame, data=frame.data[: 14 + length]) if length <= 1500 else frame


CHANNELS = [
    Mutant("FCS-16 computed and compared", "hdlc", "FCS-16", FCS16, ("hdlc.fcs*",), hdlc(),
           "the register over a frame and its FCS is F0B8 exactly where the FCS is the computed one (RFC 1662"
           " appendix C): to compare the two octets is the same rule"),
    Mutant("every good HDLC frame lost", "hdlc", "a frame with a good FCS is delivered", HDLC,
           ("baseline", "known:places_2_3"), hdlc(loses_good=1)),
    Mutant("every seventh good HDLC frame lost", "hdlc", "each frame is delivered", HDLC, ("baseline",),
           hdlc(loses_good=7)),
    Mutant("good HDLC frames twice", "hdlc", "each frame is delivered once", HDLC, ("baseline", "known:places_2_3"),
           hdlc(good_twice=True)),
    Mutant("last octet of HDLC frames cut off", "hdlc", "a frame is delivered octet for octet", HDLC,
           ("baseline", "known:places_2_3"), hdlc(data_octets_kept=-1)),
    Mutant("HDLC buffer of 32 octets", "hdlc", "a frame is delivered whole", HDLC, ("baseline",), hdlc(keeps=32)),
    Mutant("HDLC frame after a bad one lost", "hdlc", "a bad frame spoils no other", HDLC, ("hdlc.fcs",),
           hdlc(skips_after_bad=True)),
    Mutant("bad HDLC frames told as good", "hdlc", "a frame with a fault is no good one", HDLC, ("hdlc.*",),
           hdlc(bad_as_good=True)),
    Mutant("FCS-16 not checked", "hdlc", "FCS-16", FCS16, CHECK, hdlc(checked=False)),
    Mutant("FCS-16 preset to zero", "hdlc", "FCS-16: preset to ones", FCS16, (*CHECK, "baseline"),
           hdlc(preset=0)),
    Mutant("FCS-16 without the complement", "hdlc", "FCS-16: complemented", FCS16, (*CHECK, "baseline"),
           hdlc(complement=0)),
    Mutant("FCS-16 of another generator", "hdlc", "FCS-16: x^16+x^12+x^5+1", FCS16, (*CHECK, "baseline"),
           hdlc(polynomial=0xA001)),
    Mutant("one bit of the FCS-16 not compared", "hdlc", "FCS-16: all bits", FCS16, ("hdlc.fcs*",),
           hdlc(mask=0xFDFF)),
    Mutant("lowest bit of the FCS-16 not compared", "hdlc", "FCS-16: all bits", FCS16, ("hdlc.fcs*",),
           hdlc(mask=0xFFFE)),
    Mutant("FCS-16 without the address octet", "hdlc", "FCS-16 covers address to information", FCS16,
           (*CHECK, "baseline"), hdlc(octets_checked_from=1)),
    Mutant("HDLC octets highest bit first", "hdlc", "lowest bit first", HDLC, ("baseline", "known:places_*"),
           settings(planes={"hdlc_lsb_first": False})),
    Mutant("stuffing after six ones", "hdlc", "a zero behind five ones is taken away", HDLC,
           ("baseline", "known:check_sequences"), hdlc(stuffed_after=6)),
    Mutant("abort from eight ones on", "hdlc", "seven ones abort a frame", HDLC, ("hdlc.abort*", "hdlc.stuffing*"),
           hdlc(abort_ones=8)),
    Mutant("aborts not told", "hdlc", "an aborted frame counts as abort", HDLC, ("hdlc.abort*",),
           hdlc(aborts_told=False)),
    Mutant("idle taken for an abort", "hdlc", "seven ones behind a flag are idle", HDLC,
           ("hdlc.idle*", "hdlc.abort_at*", "known:hdlc_delimiters"), hdlc(abort_bits=0)),
    Mutant("only aborts from four octets on", "hdlc", "an aborted frame counts as abort", HDLC, ("hdlc.abort*",),
           hdlc(abort_bits=40)),
    Mutant("no flag awaited after an abort", "hdlc", "after an abort a flag is awaited", HDLC,
           ("hdlc.abort*", "known:hdlc_delimiters"),
           hdlc(waits_for_flag=False)),
    Mutant("a shared flag opens no frame", "hdlc", "one flag may close and open", HDLC,
           ("hdlc.join*", "known:hdlc_delimiters"),
           hdlc(shared_flag=False)),
    Mutant("flags with a shared zero not known", "hdlc", "two flags may share a zero", HDLC,
           ("hdlc.join*", "known:hdlc_delimiters"),
           hdlc(shared_zero=False)),
    Mutant("unaligned HDLC frames cut to octets", "hdlc", "a frame has whole octets", HDLC,
           ("hdlc.unaligned*", "hdlc.stuffing*"), hdlc(whole_octets=False)),
    Mutant("HDLC frames from three octets on", "hdlc", "a frame has four octets or more", HDLC, ("hdlc.short*",),
           hdlc(min_octets=3)),
    Mutant("HDLC frames from five octets on", "hdlc", "a frame of four octets is whole", HDLC,
           ("hdlc.size:octets=4",),
           hdlc(min_octets=5)),
    Mutant("short HDLC frames not told", "hdlc", "a frame that is too short counts", HDLC, ("hdlc.short*",),
           hdlc(short_told=False)),
    Mutant("gives up at a short HDLC frame", "hdlc", "a frame that is too short is no end", HDLC,
           ("hdlc.short", "known:hdlc_delimiters"), parts(hdlc=Fragile)),
    Mutant("HDLC frames up to 2049 octets", "hdlc", "at most 2048 octets", "common practice, no source",
           ("hdlc.long",), hdlc(max_octets=2049)),
    Mutant("HDLC frames up to 2047 octets", "hdlc", "2048 octets are whole", "common practice, no source",
           ("hdlc.size:octets=2048",), hdlc(max_octets=2047)),
    Mutant("HDLC frames up to 256 octets", "hdlc", "2048 octets are whole", "common practice, no source",
           ("hdlc.size:octets=2048",), hdlc(max_octets=256)),
    Mutant("HDLC frame told a hyperframe too early", "hdlc", "the place of a frame is that of its closing flag", HDLC,
           ("baseline", "known:places_2_3"), hdlc(place=-8)),
    Mutant("HDLC goes on through a loss of sync", "hdlc", "a loss of sync cuts a frame", "CPRI 4.2.9",
           ("line.violation:count=16",), hdlc(forgets_at_loss=False)),
    Mutant("slow C&M words out of order", "hdlc", "X ascending", "CPRI Table 11", ("baseline", "known:places_*"),
           rearranged(slow_words_late)),
    Mutant("slow C&M octets out of order", "hdlc", "Y ascending", "CPRI Table 11", ("baseline", "known:places_*"),
           rearranged(slow_octets_turned)),
    # ---- 4B/5B and Ethernet
    Mutant("groups of 6 and 9 exchanged", "ethernet", "4B/5B code groups", CODE_4B5B,
           ("baseline", "known:code_groups_4b5b"), ethernet(groups=exchanged_groups(6, 9))),
    Mutant("groups of E and F exchanged", "ethernet", "4B/5B code groups", CODE_4B5B,
           ("baseline", "known:code_groups_4b5b"), ethernet(groups=exchanged_groups(14, 15))),
    Mutant("high nibble first", "ethernet", "low nibble first", CODE_4B5B, ("baseline", "known:code_groups_4b5b"),
           ethernet(low_nibble_first=False)),
    Mutant("fast C&M highest bit first", "ethernet", "lowest bit first", CODE_4B5B, ("baseline", "known:places_*"),
           settings(planes={"ethernet_lsb_first": False})),
    Mutant("invalid groups pass", "ethernet", "an invalid group is a code error", CODE_4B5B,
           ("ethernet.code*", "known:code_groups_4b5b"), ethernet(bad_groups_told=False)),
    Mutant("H passes", "ethernet", "H is a code error", CODE_4B5B, ("ethernet.code*", "known:code_groups_4b5b"),
           ethernet(h_told=False)),
    Mutant("a code error ends the frame", "ethernet", "an error inside a frame does not end it", CODE_4B5B,
           ("ethernet.code*", "ethernet.delimiter*"), ethernet(code_ends_frame=True)),
    Mutant("J alone begins a frame", "ethernet", "SSD is J K", CODE_4B5B, ("ethernet.delimiter*",),
           ethernet(k_checked=False)),
    Mutant("any group before K begins a frame", "ethernet", "SSD is J K", CODE_4B5B,
           ("ethernet.delimiter*", "known:code_groups_4b5b"),
           ethernet(j_checked=False)),
    Mutant("T alone ends a frame", "ethernet", "ESD is T R", CODE_4B5B, ("ethernet.delimiter:which=3",),
           ethernet(r_checked=False)),
    Mutant("false carrier not told", "ethernet", "anything but J K after idle is a delimiter error", CODE_4B5B,
           ("ethernet.delimiter*",), ethernet(false_carrier_told=False)),
    Mutant("idle inside a frame passes", "ethernet", "idle inside a frame is a delimiter error", CODE_4B5B,
           ("ethernet.delimiter*", "known:code_groups_4b5b"),
           ethernet(idle_inside_told=False)),
    Mutant("one idle group ends a frame", "ethernet", "two idle groups end a frame", CODE_4B5B,
           ("ethernet.delimiter:which=4",), ethernet(one_idle_is_end=True)),
    Mutant("odd nibble passes", "ethernet", "a frame has whole octets", CODE_4B5B, ("ethernet.delimiter:which=5",),
           ethernet(odd_nibble_told=False)),
    Mutant("any nibble taken for the SFD", "ethernet", "SFD is D5", ETHERNET, ("ethernet.sfd",),
           ethernet(sfd_checked=False)),
    Mutant("code errors in the preamble pass", "ethernet", "a code error in the preamble spoils the frame",
           "IEEE 802.3 clause 22.2.1.5 (from memory)", ("ethernet.code, in the preamble*",),
           ethernet(preamble_looked_at=False)),
    Mutant("only a preamble of thirteen nibbles", "ethernet", "a shorter preamble is taken", ETHERNET,
           ("ethernet.preamble*",), ethernet(fives=(13, 13))),
    Mutant("Ethernet runts pass", "ethernet", "at least 64 octets", ETHERNET, ("ethernet.short*",),
           ethernet(min_octets=5)),
    Mutant("Ethernet frames from 65 octets on", "ethernet", "64 octets are whole", ETHERNET,
           ("baseline", "ethernet.size*", "known:places_*"), ethernet(min_octets=65)),
    Mutant("Ethernet frames of 63 octets pass", "ethernet", "at least 64 octets", ETHERNET, ("ethernet.short*",),
           ethernet(min_octets=63)),
    Mutant("Ethernet frames of 1519 octets pass", "ethernet", "at most 1518 octets", ETHERNET, ("ethernet.long*",),
           ethernet(max_octets=1519)),
    Mutant("Ethernet frames up to 1517 octets", "ethernet", "1518 octets are whole", ETHERNET, ("ethernet.size",),
           ethernet(max_octets=1517)),
    Mutant("no four octets more for a VLAN tag", "ethernet", "1522 octets with a tag", ETHERNET,
           ("ethernet.size:octets=1522,tag=1",),
           ethernet(tag_octets=0)),
    Mutant("VLAN tag told by one octet", "ethernet", "a tag begins with 81 00", ETHERNET,
           ("ethernet.long:octets=1522,tag=2",), ethernet(tag_type=b"\x81")),
    Mutant("VLAN tag looked for behind its place", "ethernet", "a tag stands behind the addresses", ETHERNET,
           ("ethernet.long:octets=1522,tag=2",), ethernet(tag_places=(12, 14, 16))),
    Mutant("68 octets at least with a VLAN tag", "ethernet", "64 octets are whole with a tag, too", ETHERNET,
           ("ethernet.size:octets=64,tag=1",), ethernet(tag_least_octets=4)),
    Mutant("padding taken off a frame", "ethernet", "a frame arrives as it was sent", ETHERNET,
           ("ethernet.size:octets=64,tag=3",), fast_frames(without_padding)),
    Mutant("four octets more for every frame", "ethernet", "1518 octets without a tag", ETHERNET,
           ("ethernet.long*",), ethernet(max_octets=1522, tag_octets=0)),
    Mutant("FCS-32 not checked", "ethernet", "FCS-32", ETHERNET, SEQUENCE, ethernet(checked=False)),
    Mutant("FCS-32 preset to zero", "ethernet", "FCS-32: preset to ones", ETHERNET, (*SEQUENCE, "baseline"),
           ethernet(preset_zero=True)),
    Mutant("FCS-32 without the complement", "ethernet", "FCS-32: complemented", ETHERNET, (*SEQUENCE, "baseline"),
           ethernet(fcs_xor=0xFFFFFFFF)),
    Mutant("low half of the FCS-32 compared", "ethernet", "FCS-32: all bits", ETHERNET,
           ("ethernet.fcs:xor=0x80000000",),
           ethernet(mask=0x0000FFFF)),
    Mutant("one bit of the FCS-32 not compared", "ethernet", "FCS-32: all bits", ETHERNET,
           ("ethernet.fcs, each of 32 bits",),
           ethernet(mask=0xFFFFFFFF ^ 1 << 13)),
    Mutant("FCS-32 without the addresses", "ethernet", "FCS-32 covers addresses to data", ETHERNET,
           (*SEQUENCE, "baseline"), ethernet(octets_checked_from=12)),
    Mutant("every good Ethernet frame lost", "ethernet", "a frame with a good FCS is delivered", ETHERNET,
           ("baseline", "known:places_2_3"), ethernet(loses_good=1)),
    Mutant("good Ethernet frames twice", "ethernet", "each frame is delivered once", ETHERNET,
           ("baseline", "known:places_2_3"), ethernet(good_twice=True)),
    Mutant("last octet of Ethernet frames cut off", "ethernet", "a frame is delivered octet for octet", ETHERNET,
           ("baseline", "known:places_2_3"), ethernet(data_octets_kept=-1)),
    Mutant("Ethernet frame after a bad one lost", "ethernet", "a bad frame spoils no other", ETHERNET,
           ("ethernet.fcs",), ethernet(skips_after_bad=True)),
    Mutant("a gap of one idle group is too short", "ethernet", "one idle group between frames will do",
           "common practice, no source", ("ethernet.gap*",), ethernet(least_gap_groups=2)),
    Mutant("Ethernet frame told a hyperframe too early", "ethernet", "the place of a frame is that of its R",
           CODE_4B5B, ("baseline", "known:places_2_3"), ethernet(place=-192)),
    Mutant("fast C&M by subchannels", "ethernet", "X ascending", "CPRI 4.2.7.7.2", ("baseline", "known:places_2_3"),
           rearranged(fast_by_subchannel)),
    Mutant("fast C&M octets out of order", "ethernet", "Y ascending", "CPRI 4.2.7.7.2",
           ("baseline", "known:places_2_3"), rearranged(fast_octets_turned)),
    Mutant("fast C&M begins one word late", "ethernet", "subchannels p to 63", "CPRI 4.2.7.7.2",
           ("baseline", "known:places_2_3"), rearranged(off_by_one_word)),
]  # fmt: skip
