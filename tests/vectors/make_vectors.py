"""Make the hand-written captures of this folder. Uses no code of the project: every table here is typed anew.

Run it in this folder to write the captures again; the expected values stand in the *.json files, which are
written by hand and never by this script. Sources: CPRI V7.0 clause 4.2.7 (hyperframe), IEEE 802.3 clause 36
(8B/10B, both columns typed as printed) and clause 24 (4B/5B), RFC 1662 appendix C (FCS-16).

A capture is a list of (octet, is_k). The octet with index Y of word W of basic frame X of a hyperframe is
number X * 16 * Y_count + W * Y_count + Y in it; Y_count, the octets of a word, is 1 at option 1 and 5 at
option 4.
A control word is word 0, and #Z.X.Y means its octet Y in basic frame X.
"""

from __future__ import annotations

import sys
from pathlib import Path

# ---- 8B/10B: abcdei and fghj, (column RD-, column RD+) ----------------------------------------------------

SIX = {
    0: ("100111", "011000"), 1: ("011101", "100010"), 2: ("101101", "010010"), 3: ("110001", "110001"),
    4: ("110101", "001010"), 5: ("101001", "101001"), 6: ("011001", "011001"), 7: ("111000", "000111"),
    8: ("111001", "000110"), 9: ("100101", "100101"), 10: ("010101", "010101"), 11: ("110100", "110100"),
    12: ("001101", "001101"), 13: ("101100", "101100"), 14: ("011100", "011100"), 15: ("010111", "101000"),
    16: ("011011", "100100"), 17: ("100011", "100011"), 18: ("010011", "010011"), 19: ("110010", "110010"),
    20: ("001011", "001011"), 21: ("101010", "101010"), 22: ("011010", "011010"), 23: ("111010", "000101"),
    24: ("110011", "001100"), 25: ("100110", "100110"), 26: ("010110", "010110"), 27: ("110110", "001001"),
    28: ("001110", "001110"), 29: ("101110", "010001"), 30: ("011110", "100001"), 31: ("101011", "010100"),
}  # fmt: skip
FOUR = {
    0: ("1011", "0100"), 1: ("1001", "1001"), 2: ("0101", "0101"), 3: ("1100", "0011"),
    4: ("1101", "0010"), 5: ("1010", "1010"), 6: ("0110", "0110"), 7: ("1110", "0001"),
}  # fmt: skip
FOUR_A7 = ("0111", "1000")
A7_AT_MINUS, A7_AT_PLUS = (17, 18, 20), (11, 13, 14)
K28_5 = ("0011111010", "1100000101")


def encode_8b10b(octet: int, is_k: bool, plus: bool) -> tuple[str, bool]:
    """The ten bits a..j, and whether the running disparity is positive after them."""
    if is_k:
        assert octet == 0xBC
        word = K28_5[plus]
    else:
        x, y = octet % 32, octet // 32
        six = SIX[x][plus]
        middle = plus if six.count("1") == 3 else not plus
        a7 = y == 7 and x in (A7_AT_PLUS if middle else A7_AT_MINUS)
        word = six + (FOUR_A7 if a7 else FOUR[y])[middle]
    # A whole word has five ones, or four or six: only the latter two turn the disparity round.
    return word, plus if word.count("1") == 5 else not plus


def to_symbols(characters: list[tuple[int, bool]]) -> list[str]:
    symbols, plus = [], False
    for octet, is_k in characters:
        word, plus = encode_8b10b(octet, is_k, plus)
        symbols.append(word)
    return symbols


# ---- The two C&M channels ---------------------------------------------------------------------------------

GROUPS = {
    0x0: "11110", 0x1: "01001", 0x2: "10100", 0x3: "10101", 0x4: "01010", 0x5: "01011", 0x6: "01110",
    0x7: "01111", 0x8: "10010", 0x9: "10011", 0xA: "10110", 0xB: "10111", 0xC: "11010", 0xD: "11011",
    0xE: "11100", 0xF: "11101",
}  # fmt: skip
J, K, T, R = "11000", "10001", "01101", "00111"

# The slow C&M octets of a frame FF 03 41 with its FCS, 0x79DA, sent DA 79, in bits as they go on the line:
#   01111110                                      opening flag
#   111110111 110000000 10000010 01011011 10011110
#                                                 FF 03 41 DA 79: 40 bits, and a zero stuffed twice, after the
#                                                 first five ones and after the last three of FF and 11 of 03
#   01111110                                      closing flag
#   011111 ..                                     the flags that follow fill the line
# Eight octets of it, first bit in bit 0. After them F9 for ever is the same flag fill, at the same phase.
HDLC_WORKED = bytes.fromhex("7E DF 07 04 69 E7 F9 F9")

# A frame of 64 octets: two locally administered addresses, Ethertype 88B5 (IEEE 802, local experiments),
# 46 octets that count up from 0, and the check sequence, least significant octet first.
ETHERNET_DATA = bytes.fromhex("02 00 00 00 00 02  02 00 00 00 00 01  88 B5") + bytes(range(46))


def crc32(octets: bytes) -> int:
    """IEEE 802.3 clause 3.2.9, bit by bit."""
    register = 0xFFFFFFFF
    for octet in octets:
        for i in range(8):
            feedback = (register ^ octet >> i) & 1
            register = register >> 1 ^ (0xEDB88320 if feedback else 0)
    return register ^ 0xFFFFFFFF


def ethernet_line_bits(data: bytes) -> str:
    """J K, thirteen nibbles 5, D, the frame with its check sequence, T R."""
    frame = data + crc32(data).to_bytes(4, "little")
    assert len(frame) == 64
    groups = [J, K] + [GROUPS[0x5]] * 13 + [GROUPS[0xD]]
    for octet in frame:
        groups += [GROUPS[octet % 16], GROUPS[octet // 16]]
    return "".join([*groups, T, R])


def pack(bits: str) -> bytes:
    """First bit in bit 0 of the first octet; zeros fill the last octet."""
    bits += "0" * (-len(bits) % 8)
    return bytes(int(bits[i : i + 8][::-1], 2) for i in range(0, len(bits), 8))


def ethernet_channel(octets: int, first_bit: int) -> bytes:
    """A channel of so many octets: idle (ones) but for one frame, J of which is bit `first_bit`."""
    frame = ethernet_line_bits(ETHERNET_DATA)
    bits = "1" * first_bit + frame + "1" * (8 * octets - first_bit - len(frame))
    return pack(bits)


# ---- Hyperframes ------------------------------------------------------------------------------------------


class Hyperframe:
    """256 basic frames of 16 words, all zero until set."""

    def __init__(self, y_count: int) -> None:
        self.y_count = y_count
        self.octets = bytearray(256 * 16 * y_count)

    def put(self, x: int, y: int, value: int, w: int = 0) -> None:
        self.octets[x * 16 * self.y_count + w * self.y_count + y] = value

    def sync_and_timing(self, hfn: int, bfn: int, filler_1: int = 0x50) -> None:
        self.put(0, 0, 0xBC)  # K28.5, the only K character
        for y in range(1, self.y_count):
            self.put(0, y, filler_1 if y == 1 else 0x50)  # D16.2, or D5.6 as the first
        self.put(64, 0, hfn)
        self.put(128, 0, bfn % 256)
        self.put(192, 0, bfn // 256)

    def l1(self, version: int, rate_code: int, alarms: int, pointer: int) -> None:
        self.put(2, 0, version)
        self.put(66, 0, rate_code)
        self.put(130, 0, alarms)
        self.put(194, 0, pointer)

    def slow(self, octets: bytes) -> None:
        """All of subchannel 1 as one HDLC channel: X = 1, 65, 129, 193, and Y ascending in each."""
        assert len(octets) == 4 * self.y_count
        for i, octet in enumerate(octets):
            self.put((1, 65, 129, 193)[i // self.y_count], i % self.y_count, octet)

    def fast(self, octets: bytes, pointer: int) -> None:
        """Subchannels `pointer` to 63: X ascending, which is four runs, and Y ascending in each word."""
        assert len(octets) == (64 - pointer) * 4 * self.y_count
        words = [ns + 64 * xs for xs in range(4) for ns in range(pointer, 64)]
        for i, octet in enumerate(octets):
            self.put(words[i // self.y_count], i % self.y_count, octet)

    def iq(self, x: int, octets: bytes) -> None:
        """The IQ block of basic frame `x` begins with word 1."""
        for i, octet in enumerate(octets):
            self.put(x, i % self.y_count, octet, w=1 + i // self.y_count)

    def characters(self) -> list[tuple[int, bool]]:
        return [(octet, i == 0) for i, octet in enumerate(self.octets)]


# Samples (1, 0) (0, 1) (-16384, 16383) (0, 0) of 15 bits, I0 Q0 I1 Q1 ... from the least significant bit:
# bit 0 is I0 of the first; Q0 of the second is bit 31, in octet 3; the third begins at bit 60, in octet 7,
# with I = ...0 and Q = 1...1 up to the last pair, where the signs are 1 and 0.
IQ_15_BITS = bytes.fromhex("01 00 00 80 00 00 00 A0 AA AA AA 01 00 00 00")
# One sample of 16 bits, I = 0x1234 and Q = -2.
IQ_16_BITS = bytes.fromhex("B8 AF AE AB")


def option1_two_hyperframes() -> list[tuple[int, bool]]:
    """HFN 7 and 8 of BFN 0x123: HDLC over both at 480 kbit/s, Ethernet over both with p = 20."""
    y_count, pointer = 1, 20
    fast = ethernet_channel(2 * 176, 1003)  # bit 1003 of 1408 a hyperframe; 730 bits long, so it ends at 1732
    out = []
    for n in range(2):
        hf = Hyperframe(y_count)
        hf.sync_and_timing(hfn=7 + n, bfn=0x123)
        hf.l1(version=1, rate_code=2, alarms=0x02 * n, pointer=pointer)  # RAI in the second
        hf.slow(HDLC_WORKED[4 * n : 4 * n + 4])
        hf.fast(fast[176 * n : 176 * n + 176], pointer)
        hf.put(16 + 64 * 1, 0, (0x00, 0xA5)[n])  # subchannel 16, second word: vendor specific
        if n == 0:
            hf.iq(3, IQ_15_BITS)  # all of #0.3.1.0 to #0.3.15.0
        out += hf.characters()
    return out


def option4_one_hyperframe() -> list[tuple[int, bool]]:
    """HFN 149 of BFN 4095, and the sync control word after it, without which nothing confirms the first."""
    y_count, pointer = 5, 20
    hf = Hyperframe(y_count)
    hf.sync_and_timing(hfn=149, bfn=4095, filler_1=0xC5)
    hf.l1(version=1, rate_code=5, alarms=0x18, pointer=pointer)  # LOS and LOF reported by the far end
    hf.slow(HDLC_WORKED + b"\xf9" * 12)
    # Octet 100 of the channel is word 20 of it, so subchannel 40, and J K ... lie in #Z.40.0 to #Z.41.4.
    fast = ethernet_channel(880, 800)
    assert fast[100:110] == bytes.fromhex("23 6A AD B5 D6 5A 6B AD B5 DE")
    hf.fast(fast, pointer)
    hf.iq(10, IQ_16_BITS)
    return [*hf.characters(), (0xBC, True), (0x50, False), (0x50, False), (0x50, False), (0x50, False)]


def option4_four_hyperframes() -> list[tuple[int, bool]]:
    """HFN 148, 149, 0, 1 while BFN goes from 4095 to 0: four sync bytes, so HFNSYNC is reached."""
    y_count, pointer = 5, 20
    # 7040 bits a hyperframe: J at 2 * 7040 - 369, so one frame from the second hyperframe into the third.
    fast = ethernet_channel(4 * 880, 13711)
    slow = b"\xff" * 15 + HDLC_WORKED + b"\xf9" * 57  # idle ones, then from the last 5 octets of the first
    out = []
    for n, (hfn, bfn) in enumerate(((148, 4095), (149, 4095), (0, 0), (1, 0))):
        hf = Hyperframe(y_count)
        hf.sync_and_timing(hfn, bfn, filler_1=(0x50, 0xC5)[n % 2])
        hf.l1(version=1, rate_code=5, alarms=0, pointer=pointer)
        hf.slow(slow[20 * n : 20 * n + 20])
        hf.fast(fast[880 * n : 880 * n + 880], pointer)
        hf.put(19 + 64 * 3, 4, (0, 0, 0x5A, 0x5A)[n])  # subchannel 19, last word, last octet: vendor specific
        hf.put(8, 2, (0, 1, 1, 0)[n])  # subchannel 8: reserved, should be 0; changes twice
        out += hf.characters()
    return out


# ---- Files ------------------------------------------------------------------------------------------------

SLIP = "010"  # line bits before the first symbol in the .bits files


def forms(characters: list[tuple[int, bool]]) -> dict[str, bytes]:
    symbols = to_symbols(characters)
    return {
        "octets": bytes(octet for octet, _ in characters),
        "flagged": b"".join((octet | is_k << 8).to_bytes(2, "little") for octet, is_k in characters),
        "symbols": b"".join(int(word[::-1], 2).to_bytes(2, "little") for word in symbols),
        "bits": pack(SLIP + "".join(symbols)),
    }


FILES = (
    (option1_two_hyperframes, ("octets", "flagged", "symbols", "bits")),
    (option4_one_hyperframe, ("octets", "flagged", "symbols", "bits")),
    (option4_four_hyperframes, ("octets", "bits")),
)


def captures() -> dict[str, bytes]:
    """All captures by file name."""
    out = {}
    for make, wanted in FILES:
        made = forms(make())
        for form in wanted:
            out[f"{make.__name__}.{form}"] = made[form]
    return out


if __name__ == "__main__":
    folder = Path(__file__).parent
    for name, data in captures().items():
        (folder / name).write_bytes(data)
        sys.stdout.write(f"{name}: {len(data)} octets\n")
