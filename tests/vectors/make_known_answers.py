"""Make the known answers that ship with the campaign: small streams, and what a receiver must say of each.

Uses no code of the project: every table is typed here or in make_vectors.py, and a stream's answers come from what
was put into it, never from a decoder. Run it in this folder to write monitor/campaign/known_answers again.

Sources: CPRI V7.0 clause 4.2.7 (hyperframe, control words; bit order of the C&M channels inside control octets and
the two octets of 240 kbit/s from memory), IEEE 802.3 clause 36 tables 36-1 and 36-2 (8B/10B), clause 24 table 24-1
(4B/5B) and clause 3.2.9 (FCS-32), ISO/IEC 13239 (HDLC), RFC 1662 appendix C (FCS-16).
"""

from __future__ import annotations

import gzip
import json
import sys
import zlib
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
import make_vectors as typed

OCTETS_OF_OPTION = {"1": 1, "2": 2, "4": 5, "5": 8}
"""Octets of a word, T/8, for T = 8, 16, 40 and 64 (CPRI Table 3)."""

# The special code groups, column RD- of table 36-2; column RD+ is the complement.
K_MINUS = {
    0x1C: "0011110100", 0x3C: "0011111001", 0x5C: "0011110101", 0x7C: "0011110011", 0x9C: "0011110010",
    0xBC: "0011111010", 0xDC: "0011110110", 0xFC: "0011111000", 0xF7: "1110101000", 0xFB: "1101101000",
    0xFD: "1011101000", 0xFE: "0111101000",
}  # fmt: skip
INVALID_GROUPS = "00000 00001 00010 00011 00101 00110 01000 01100 10000 11001".split()
H = "00100"
FLAG, SEVEN_ONES = "01111110", "1111111"
NEUTRAL, TURNS = 0x00, 0x03
"""D.0.0 leaves the running disparity as it is, D.3.0 turns it (both in either column)."""


@cache
def encode(octet: int, is_k: bool, plus: bool) -> tuple[str, bool]:
    if is_k:
        word = K_MINUS[octet]
        if plus:
            word = word.translate(str.maketrans("01", "10"))
        return word, plus if word.count("1") == 5 else not plus
    return typed.encode_8b10b(octet, False, plus)


# ---- Check sequences, bit by bit --------------------------------------------------------------------------


def register(octets: bytes, polynomial: int, preset: int) -> int:
    """The reflected register after these octets, each least significant bit first."""
    value = preset
    for octet in octets:
        for i in range(8):
            feedback = (value ^ octet >> i) & 1
            value = value >> 1 ^ (polynomial if feedback else 0)
    return value


def fcs16(octets: bytes) -> int:
    return register(octets, 0x8408, 0xFFFF) ^ 0xFFFF


def reversed_octets(octets: bytes) -> bytes:
    return bytes(int(f"{octet:08b}"[::-1], 2) for octet in octets)


# ---- HDLC -------------------------------------------------------------------------------------------------


def lsb_first(octets: bytes) -> str:
    return "".join(f"{octet:08b}"[::-1] for octet in octets)


def stuffed(bits: str) -> str:
    out, ones = "", 0
    for bit in bits:
        out += bit
        ones = ones + 1 if bit == "1" else 0
        if ones == 5:
            out, ones = out + "0", 0
    return out


class Slow:
    """The bits of a slow C&M channel and the frames in it."""

    def __init__(self, octets_a_hyperframe: int) -> None:
        self.octets = octets_a_hyperframe
        self.bits = FLAG * 2
        self.frames: list[tuple[int, dict[str, Any], str, str]] = []

    def send(
        self, data: bytes, rule: str, status: str = "good", fcs: bytes | None = None, end: str = FLAG
    ) -> None:
        """A frame behind a flag; `end` is what closes it."""
        fcs = fcs16(data).to_bytes(2, "little") if fcs is None else fcs
        self.bits += stuffed(lsb_first(data + fcs)) + end
        record = {"plane": "hdlc", "status": status, "data": data.hex(), "fcs": fcs.hex()}
        self.frames.append((len(self.bits), record, rule, "ISO/IEC 13239; CPRI 4.2.7.7.1"))
        self.bits += FLAG


class Fast:
    """The bits of a fast C&M channel and the frames in it."""

    def __init__(self, octets_a_hyperframe: int) -> None:
        self.octets = octets_a_hyperframe
        self.bits = "1" * 40
        self.frames: list[tuple[int, dict[str, Any], str, str]] = []

    def send(
        self,
        data: bytes,
        rule: str,
        status: str = "good",
        fcs: bytes | None = None,
        groups: dict[int, str] | None = None,
        phase: int = 0,
    ) -> None:
        """A frame behind idle of 24 groups and `phase` bits; `groups` replaces groups counted from J."""
        fcs = typed.crc32(data).to_bytes(4, "little") if fcs is None else fcs
        out = [typed.J, typed.K] + [typed.GROUPS[5]] * 13 + [typed.GROUPS[0xD]]
        for octet in data + fcs:
            out += [typed.GROUPS[octet % 16], typed.GROUPS[octet // 16]]
        out += [typed.T, typed.R]
        for at, group in (groups or {}).items():
            out[at] = group
        self.bits += "1" * (120 + phase) + "".join(out)
        record = {"plane": "ethernet", "status": status}
        if status not in ("code", "delimiter"):
            record |= {"data": data.hex(), "fcs": fcs.hex()}
        self.frames.append((len(self.bits), record, rule, "IEEE 802.3 clauses 24 and 3.2; CPRI 4.2.7.7.2"))

    def false_carrier(self, groups: dict[int, str], rule: str) -> None:
        """A frame whose first ten bits are not J K: told at the last of them, and no more of it."""
        before = len(self.bits)
        self.send(ethernet_data(0), rule, "delimiter", groups=groups)
        _, record, *rest = self.frames.pop()
        self.frames.append((before + 130, record, *rest))  # type: ignore[arg-type]


# ---- Streams ----------------------------------------------------------------------------------------------


def hdlc_places(code: int, y_count: int) -> list[tuple[int, int]]:
    """(X, Y) of the slow C&M octets in order of transmission (CPRI Table 11)."""
    octets = {1: 1, 2: 1, 3: 2, 4: 4, 5: 5, 6: y_count}[code]
    return [(x, y) for x in ((1, 129) if code == 1 else (1, 65, 129, 193)) for y in range(octets)]


class Stream:
    """Hyperframes of one option, and the answers."""

    def __init__(
        self, name: str, about: str, option: str, count: int, bfn: int, hfn: int, **fixed: int
    ) -> None:
        self.name, self.about, self.option = name, about, option
        self.y_count = OCTETS_OF_OPTION[option]
        self.pointer, self.code = fixed.get("pointer", 40), fixed.get("code", 2)
        self.hyperframes = [typed.Hyperframe(self.y_count) for _ in range(count)]
        self.k: dict[int, dict[int, int]] = {}
        self.wrong_words: dict[int, dict[int, str]] = {}
        self.turn_before: dict[tuple[int, int], bool] = {}
        self.rows: list[dict[str, Any]] = []
        self.counters: dict[str, int] = {}
        self.numbers = []
        self.symbols_only = False
        self.lead_bits = 3
        self.startup = [(0, "D")]  # C&M is set up, no good frame has come (CPRI 4.5)
        for i, hf in enumerate(self.hyperframes):
            frames, h = divmod(hfn + i, 150)
            b = (bfn + frames) % 4096
            self.numbers.append((b, h))
            hf.sync_and_timing(h, b, (0x50, 0xC5)[i % 2])
            hf.l1(1, self.code, 0, self.pointer)

    def row(self, plane: str, rule: str, clause: str, /, **record: Any) -> None:
        self.rows.append({"plane": plane, "rule": rule, "clause": clause, "record": record})

    def count(self, name: str, by: int = 1) -> None:
        self.counters[name] = self.counters.get(name, 0) + by

    def carry(self, slow: Slow | None, fast: Fast | None) -> None:
        """Put the channels into the control words, flags and idle behind what they have to say."""
        slow_at = hdlc_places(self.code, self.y_count)
        words = [ns + 64 * xs for xs in range(4) for ns in range(self.pointer, 64)] if self.pointer else []
        fast_at = [(x, y) for x in words for y in range(self.y_count)]
        slow = slow or Slow(len(slow_at))
        fast = fast or Fast(len(fast_at))
        for channel, places, fill in ((slow, slow_at, FLAG), (fast, fast_at, "1")):
            room = 8 * len(places) * len(self.hyperframes)
            assert len(channel.bits) <= room, (self.name, len(channel.bits), room)
            bits = (channel.bits + fill * room)[:room]
            octets = typed.pack(bits)
            for i, octet in enumerate(octets):
                which, at = divmod(i, len(places))
                self.hyperframes[which].put(*places[at], octet)
            for end, record, rule, clause in channel.frames:
                h = (end - 1) // (8 * len(places))
                bfn, hfn = self.numbers[h]
                where = {"event": "frame_received", "hyperframe": h, "bfn": bfn, "hfn": hfn}
                self.row(record["plane"], rule, clause, **where, **record)
                self.count(f"{record['plane']}_{COUNTER_OF[record['status']]}")
        good = [r["record"]["hyperframe"] for r in self.rows if r["record"].get("status") == "good"]
        if good:
            self.startup.append((min(good), "E"))  # state E lasts while all is new

    def change(self, plane: str, hyperframe: int, place: tuple[int, int, int], new: int, rule: str) -> None:
        """An octet that changes with this hyperframe and stays so."""
        ns, xs, y = place
        old = self.hyperframes[hyperframe - 1].octets[(ns + 64 * xs) * 16 * self.y_count + y]
        for hf in self.hyperframes[hyperframe:]:
            hf.put(ns + 64 * xs, y, new)
        self.row(plane, rule, "CPRI 4.2.7.2", event="octets_changed", plane=plane, hyperframe=hyperframe,
                 ns=ns, xs=xs, y=y, old=old, new=new)  # fmt: skip
        self.count(f"{plane}_changes")

    def words(self) -> list[str]:
        """All ten-bit words, the running disparity negative at first."""
        out, plus, h = [], False, len(self.hyperframes[0].octets)
        for number, hf in enumerate(self.hyperframes):
            k, wrong = {0: 0xBC} | self.k.get(number, {}), self.wrong_words.get(number, {})
            for i in range(h):
                asked = self.turn_before.get((number, i + 1))
                if asked is not None:
                    hf.octets[i] = NEUTRAL if plus == asked else TURNS
                if i in k:
                    hf.octets[i] = k[i]
                word, after = encode(hf.octets[i], i in k, plus)
                if i in wrong:
                    word = wrong[i]
                    ones = word[6:].count("1") or word[:6].count("1")
                    after = plus if word.count("1") == 5 else ones > 2
                out.append(word)
                plus = after
            assert len(out) % h == 0
        return out

    def files(self) -> dict[str, bytes]:
        words = self.words()
        flagged = bytearray()
        for number, hf in enumerate(self.hyperframes):
            k = {0} | set(self.k.get(number, ()))
            for i, octet in enumerate(hf.octets):
                flagged += bytes((octet, i in k))
        symbols = b"".join(int(word[::-1], 2).to_bytes(2, "little") for word in words)
        answers = {
            "schema": "framefray.known-answers/1",
            "about": self.about,
            "option": self.option,
            "symbols_only": self.symbols_only,
            "lead_bits": self.lead_bits,
            "startup": self.startup,
            "hyperframes": [list(pair) for pair in self.numbers],
            "l1": {"protocol_version": 1, "hdlc_rate_code": self.code, "pointer_p": self.pointer},
            "counters": self.counters,
        }
        head = json.dumps(answers)[:-1]
        rows = ",\n".join("  " + json.dumps(row) for row in self.rows)
        out = {f"{self.name}.json": (f'{head},\n "rows": [\n{rows}\n]}}\n').encode()}
        out[f"{self.name}.symbols.gz"] = symbols
        if not self.symbols_only:
            out[f"{self.name}.flagged.gz"] = bytes(flagged)
        return out

    def iq_pattern(self, hyperframe: int) -> None:
        """IQ octets that differ from place to place; the row holds the CRC-32 of all of them."""
        hf = self.hyperframes[hyperframe]
        octets = bytearray()
        for x in range(256):
            for w in range(1, 16):
                for y in range(self.y_count):
                    value = (x * 7 + w * 31 + y * 101 + x * w) % 256
                    hf.put(x, y, value, w)
                    octets.append(value)
        self.row("iq", "order of the octets of the IQ data block, W = 1 to 15", "CPRI 4.2.7.2.2",
                 event="iq_received", hyperframe=hyperframe, crc32=zlib.crc32(octets))  # fmt: skip


COUNTER_OF = {
    "good": "frames", "fcs": "fcs_errors", "abort": "aborts", "too_short": "too_short", "unaligned": "unaligned",
    "code": "code_errors", "delimiter": "delimiter_errors",
}  # fmt: skip
WORKED = bytes.fromhex("FF0341")  # FCS 79DA, sent DA 79 (RFC 1662 appendix C, worked)
ALL_NIBBLES = bytes.fromhex("02 00 00 00 00 02  02 00 00 00 00 01  88 B5") + bytes(range(0, 256, 5)) + bytes(
    (o * 16 + 15 - o) for o in range(16)
)  # fmt: skip


def ethernet_data(number: int) -> bytes:
    """60 octets: addresses, Ethertype 88B5, and 46 that count up from `number`."""
    return typed.ETHERNET_DATA[:14] + bytes((number + i) % 256 for i in range(46))


def places(option: str, code: int, pointer: int, count: int, bfn: int, hfn: int) -> Stream:
    """Every plane in its place at one option, rate code and pointer p."""
    about = f"Places and orders of every plane: option {option}, HDLC rate code {code}, p = {pointer}"
    s = Stream(f"places_{option}_{code}", about, option, count, bfn, hfn, code=code, pointer=pointer)
    slow = Slow(len(hdlc_places(code, s.y_count)))
    rule = f"places and order of the slow C&M octets, rate code {code}"
    slow.send(WORKED, rule)
    slow.send(bytes.fromhex("01 03") + bytes(range(0x10, 0x10 + (8 if option == "1" else 40))), rule)
    fast = Fast((64 - pointer) * 4 * s.y_count)
    rule = f"order of the fast C&M control words, p = {pointer}"
    fast.send(ethernet_data(1), rule)
    fast.send(ethernet_data(77), rule, phase=3)
    s.carry(slow, fast)
    last = s.y_count - 1
    # Octets beside HFN, BFN and the L1 inband octets are reserved, where a word has more than one.
    beside = ((0, 1, 1), (0, 3, last), (2, 0, 1), (2, 3, last)) if last else ()
    before = "first and last octet of "
    at = 4
    for plane, ends in (
        ("vendor", ((16, 0, 0), (pointer - 1, 3, last))),
        ("ctrl_axc", ((4, 0, 0), (7, 3, last))),
        ("reserved", ((3, 0, 0), (8, 0, 0), (15, 3, last), *beside)),
    ):
        for place in ends:
            s.change(plane, at, place, (0xA5, 0x3C, 0x81)[at % 3], before + plane.replace("_", " "))
            at += 1
    s.iq_pattern(count - 2)
    return s


def check_sequences() -> Stream:
    """Frames that are good, and frames that are good only where a check sequence is computed wrongly."""
    s = Stream(
        "check_sequences",
        "FCS-16 and FCS-32: preset, complement, order",
        "2",
        26,
        0x5A3,
        60,
        code=3,
        pointer=20,
    )
    slow = Slow(8)
    data = bytes.fromhex("05 03 80 01 7E 3F")
    right = fcs16(data)
    for fcs in (
        register(data, 0x8408, 0) ^ 0xFFFF,
        register(data, 0x8408, 0xFFFF),
        register(data, 0xA001, 0xFFFF) ^ 0xFFFF,
    ):
        rules = {
            0: "FCS-16: register preset to ones",
            1: "FCS-16 is complemented",
            2: "FCS-16: x^16+x^12+x^5+1",
        }
        slow.send(data, rules[len(slow.frames)], "fcs", fcs.to_bytes(2, "little"))
    slow.send(data, "FCS-16: low octet first", "fcs", right.to_bytes(2, "big"))
    slow.send(data, "FCS-16: order of its bits", "fcs", reversed_octets(right.to_bytes(2, "little")))
    slow.send(data, "FCS-16: its lowest bit", "fcs", (right ^ 1).to_bytes(2, "little"))
    slow.send(data, "FCS-16 over address to information")
    slow.send(WORKED, "FCS-16 of FF 03 41 is 79DA")
    fast = Fast(352)
    frame = ethernet_data(9)
    right32 = typed.crc32(frame)
    fast.send(
        frame,
        "FCS-32: register preset to ones",
        "fcs",
        (register(frame, 0xEDB88320, 0) ^ 0xFFFFFFFF).to_bytes(4, "little"),
    )
    fast.send(
        frame, "FCS-32 is complemented", "fcs", register(frame, 0xEDB88320, 0xFFFFFFFF).to_bytes(4, "little")
    )
    fast.send(
        frame,
        "FCS-32: generator 04C11DB7",
        "fcs",
        (register(frame, 0x82F63B78, 0xFFFFFFFF) ^ 0xFFFFFFFF).to_bytes(4, "little"),
    )
    fast.send(frame, "FCS-32: order of its octets", "fcs", right32.to_bytes(4, "big"))
    fast.send(frame, "FCS-32: order of its bits", "fcs", reversed_octets(right32.to_bytes(4, "little")))
    fast.send(frame, "FCS-32 over addresses to data")
    s.carry(slow, fast)
    return s


def hdlc_delimiters() -> Stream:
    """What may stand between frames, and what ends one."""
    s = Stream("hdlc_delimiters", "Flags, aborts and idle of HDLC", "2", 48, 0x633, 100, code=3, pointer=40)
    slow = Slow(8)
    data = bytes.fromhex("09 03 55 3E 7C F8 00 FF")

    def frame(number: int, rule: str, behind: str = FLAG) -> None:
        """A good frame, its opening flag there already; the channel goes on with `behind`."""
        slow.bits = slow.bits.removesuffix(FLAG)
        slow.bits += FLAG
        slow.send(data + bytes((number,)), rule)
        slow.bits = slow.bits.removesuffix(FLAG) + behind

    frame(0, "one flag closes and opens", "")
    frame(1, "one flag closes and opens", "")
    slow.bits += "1111110"  # with the zero of the flag before
    frame(2, "two flags share a zero", "1111110")
    frame(3, "two flags share a zero", FLAG)
    for octets in (1, 2, 5):
        # After seven ones nothing counts up to a flag; whatever stands there.
        slow.bits += FLAG + stuffed(lsb_first(data[:octets])) + SEVEN_ONES
        record = {"plane": "hdlc", "status": "abort", "data": data[:octets].hex(), "fcs": ""}
        slow.frames.append((len(slow.bits), record, "seven ones abort a frame", "ISO/IEC 13239"))
        slow.bits += "0" + "01011001" * 7 + FLAG
        frame(10 + octets, "after an abort a flag is awaited")
    slow.bits += "1" * 40 + FLAG
    frame(20, "ones are idle")
    slow.bits += SEVEN_ONES + FLAG
    frame(21, "seven ones behind a flag are idle")
    slow.bits += "1" * 15 + FLAG
    frame(22, "fifteen ones are idle")
    for missing in range(1, 8):
        bits = stuffed(lsb_first(bytes.fromhex("09 03 11 22 44 21")))[:-missing]
        slow.bits += bits + FLAG
        record = {"plane": "hdlc", "status": "unaligned"}
        slow.frames.append(
            (len(slow.bits), record, f"{missing} bits missing: no whole octets", "ISO/IEC 13239")
        )
    short = bytes.fromhex("05 03")
    slow.send(short, "a frame of four octets is whole")
    slow.send(short[:1], "a frame of three octets is too short", "too_short")
    slow.send(data, "a good frame after a short one")
    s.carry(slow, None)
    return s


def code_groups_4b5b() -> Stream:
    """Every group of 4B/5B: sixteen of data, ten invalid, H; J K at every phase of an octet."""
    s = Stream("code_groups_4b5b", "Code groups of 4B/5B", "2", 26, 0x0F0, 3, code=3, pointer=20)
    fast = Fast(352)
    for phase in range(8):
        fast.send(ALL_NIBBLES, "data groups; J K at any bit", phase=phase)
    for i, group in enumerate([*INVALID_GROUPS, H]):
        fast.send(
            ethernet_data(i), f"group {group} inside a frame is a code error", "code", groups={40 + i: group}
        )
    fast.send(ethernet_data(3), "a good frame after code errors")
    idle = {40: "11111", 61: "11111"}
    fast.send(ethernet_data(4), "idle inside a frame is a delimiter error", "delimiter", groups=idle)
    for group in ("11001", "11010", "11011"):
        fast.false_carrier({0: group}, "SSD is J K: another group before K")
    for group in ("10011", "10000", "11101"):
        fast.false_carrier({1: group}, "SSD is J K: another group behind J")
    fast.send(ethernet_data(5), "a good frame after false carriers")
    s.carry(None, fast)
    return s


def code_groups_8b10b() -> Stream:
    """All 256 data code groups in both columns, as vendor specific octets: each row is one code group."""
    s = Stream(
        "code_groups_8b10b", "Data code groups of 8B/10B, both columns", "1", 8, 0x111, 20, code=2, pointer=63
    )
    s.symbols_only = True
    s.carry(None, None)
    at = [(ns, xs) for xs in range(4) for ns in range(16, 63)][:128]
    values = [[128 + i for i in range(128)]] * 3 + [list(range(128)), [128 + i for i in range(128)]] + [
        list(range(128)), [128 + i for i in range(128)]] + [[128 + i for i in range(128)]]  # fmt: skip
    for number, row in enumerate(values):
        for i, value in enumerate(row):
            ns, xs = at[i]
            x = ns + 64 * xs
            s.hyperframes[number].put(x, 0, value)
            if 3 <= number <= 6:
                plus = number >= 5
                s.turn_before[number, x * 16] = plus
                name = f"D{value % 32}.{value // 32}"
                s.row("line", f"code group {name}, column RD{'+' if plus else '-'}", "IEEE 802.3 table 36-1",
                      event="octets_changed", plane="vendor", hyperframe=number, ns=ns, xs=xs, y=0,
                      old=values[number - 1][i], new=value)  # fmt: skip
                s.count("vendor_changes")
    return s


def special_code_groups() -> Stream:
    """The eleven special code groups that have no place on the link, each in both columns; wrong words."""
    s = Stream("special_code_groups", "Special code groups and wrong words of 8B/10B", "1", 28, 0x222, 30, code=2,
               pointer=63)  # fmt: skip
    s.symbols_only = True
    s.carry(None, None)
    number = 3
    for value in K_MINUS:
        if value == 0xBC:
            continue
        for plus in (False, True):
            x, w = 100 + number, 5
            position = x * 16 + w
            s.k[number] = {position: value}
            s.turn_before[number, position] = plus
            s.row("line", f"K{value % 32}.{value // 32}, column RD{'+' if plus else '-'}, is no code error",
                  "IEEE 802.3 table 36-2; CPRI 4.2.7.3", event="unexpected_k", hyperframe=number, count=1, x=x, w=w,
                  y=0, octet=value)  # fmt: skip
            s.count("unexpected_k")
            number += 1
    position = 77 * 16 + 9
    s.wrong_words[number] = {position: "0000011111"}  # in neither column: six bits cannot be 000001
    s.row("line", "a word of neither column is a code violation", "IEEE 802.3 36.2.4.4", event="code_errors",
          hyperframe=number, code_violations=1, disparity_errors=0, first_octet=position)  # fmt: skip
    s.count("code_violations")
    number += 1
    s.turn_before[number, position] = False
    s.hyperframes[number].put(77, 0, 0x03, 9)
    s.wrong_words[number] = {position: "1100010100"}  # D.3.0 of the column RD+ where RD is negative
    s.row("line", "a word of the other column is a disparity error", "IEEE 802.3 36.2.4.4", event="code_errors",
          hyperframe=number, code_violations=0, disparity_errors=1, first_octet=position)  # fmt: skip
    s.count("disparity_errors")
    return s


def l1_inband() -> Stream:
    """Each bit of Z.130.0 alone for one hyperframe; a reset request; the values beside it."""
    s = Stream("l1_inband", "Bits of Z.130.0, and the values in Z.2.0, Z.66.0 and Z.194.0", "1", 34, 0x800, 140,
               code=1, pointer=21)  # fmt: skip
    s.carry(None, None)
    number = 4
    clause = "CPRI 4.2.7.6.1 (Table 13)"
    for mask, alarm in ((1, "reset"), (2, "rai"), (4, "sdi"), (8, "los"), (16, "lof")):
        s.hyperframes[number].put(130, 0, mask)
        rule = f"bit {mask.bit_length() - 1} of Z.130.0 is {alarm.upper()}"
        where = {"alarm": alarm, "origin": "remote"}
        s.row("l1", rule, clause, event="alarm_raised", hyperframe=number, **where)
        s.row("l1", rule, clause, event="alarm_cleared", hyperframe=number + 1, **where)
        if alarm in ("rai", "los", "lof"):
            s.startup += [(number, "B"), (number + 1, "D")]
        s.count("l1_alarm_changes", 2)
        number += 2
    s.hyperframes[number].put(130, 0, 0xE0)  # bits that are reserved: ignored
    number += 2
    for i in range(10):
        s.hyperframes[number + i].put(130, 0, 1)
    s.row("l1", "a reset bit of ten hyperframes is a request", "CPRI 4.2.7.6.1 (from memory)",
          event="reset_requested", hyperframe=number + 9)  # fmt: skip
    s.count("l1_alarm_changes", 2)
    s.count("reset_requests")
    return s


def passive_link() -> Stream:
    """Neither slow nor fast C&M: state G, and subchannels 16 to 63 are vendor specific."""
    s = Stream("passive_link", "A link without C&M", "1", 10, 0x345, 9, code=0, pointer=0)
    s.startup = [(0, "G")]
    for at, place in enumerate(((16, 0, 0), (40, 1, 0), (63, 3, 0)), 4):
        s.change("vendor", at, place, 0xC3, "without fast C&M, subchannels 16 to 63 are vendor specific")
    return s


def frame_numbers() -> Stream:
    """HFN 149 to 0 and BFN 4095 to 0 are no discontinuity; BFN has twelve bits in two octets."""
    s = Stream("frame_numbers", "HFN and BFN over their wraps", "1", 10, 4095, 145, code=2, pointer=40)
    s.carry(None, None)
    return s


STREAMS: tuple[Callable[[], Stream], ...] = (
    partial(places, "1", 1, 20, 18, 0x3C5, 10),
    partial(places, "1", 2, 21, 16, 0xFFF, 145),
    partial(places, "2", 3, 40, 17, 0xA3C, 148),
    partial(places, "4", 4, 37, 17, 0x108, 7),
    partial(places, "4", 5, 20, 17, 0x801, 99),
    partial(places, "5", 6, 63, 17, 0x7FE, 149),
    check_sequences,
    hdlc_delimiters,
    code_groups_4b5b,
    code_groups_8b10b,
    special_code_groups,
    l1_inband,
    passive_link,
    frame_numbers,
)


def known_answers() -> dict[str, bytes]:
    """Every file by its name, those ending in .gz as they are before they are compressed."""
    out: dict[str, bytes] = {}
    for i, make in enumerate(STREAMS):
        stream = make()
        stream.lead_bits = (3 + i) % 10
        out |= stream.files()
    return out


if __name__ == "__main__":
    folder = Path(__file__).parents[2] / "monitor" / "campaign" / "known_answers"
    folder.mkdir(exist_ok=True)
    for name, data in known_answers().items():
        (folder / name).write_bytes(gzip.compress(data, 9, mtime=0) if name.endswith(".gz") else data)
        sys.stdout.write(f"{name}: {len(data)} octets\n")
