"""Make the line answers that ship with the campaign: frames, and their bits on the line of a board that sends them.

Uses no code of the project: the tables are those typed in make_known_answers.py and make_vectors.py, and the places
are typed here. Run it to write monitor/campaign/line_answers again.

Sources: CPRI V7.0 clauses 4.2.7.3 to 4.2.7.7 (places; Table 3 words, Table 11 slow C&M, Table 13 alarm bits; bit
order of the C&M channels inside control octets and the two octets of 240 kbit/s from memory), ISO/IEC 13239 and RFC
1662 appendix C (HDLC), IEEE 802.3 clauses 3 and 24 (Ethernet over 4B/5B).
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
import make_known_answers as made
import make_vectors as typed

Bits = Callable[[bytes], str]

WORD_OCTETS = {
    "1": 1, "2": 2, "3": 4, "4": 5, "5": 8, "6": 10, "7": 16, "7A": 16, "8": 20, "9": 24, "10": 48,
}  # fmt: skip
"""Octets T/8 of a word (Table 3); of a control word the first sixteen are the control channel."""
SLOW_OCTETS = {1: 1, 2: 1, 3: 2, 4: 4, 5: 5}
"""Octets of each word by rate code (Table 11); code 6 takes all of them, from eight on."""

HDLC = {
    "worked example of RFC 1662 appendix C": made.WORKED,
    "ones across octets, flags and aborts in the data": bytes.fromhex(
        "7E 7D 3F 1F F8 0F 00 80 01 C1 FE 55 AA"
    ),
    "shortest frame": bytes.fromhex("05 41"),
}
ETHERNET = {
    "shortest frame": made.ethernet_data(0x31),
    "every nibble, high and low": made.ALL_NIBBLES,
}


# ---- HDLC -------------------------------------------------------------------------------------------------


def slow_bits(data: bytes, fcs: bytes | None = None, stuff: Callable[[str], str] = made.stuffed) -> str:
    """A flag, the frame with its FCS, a flag; the first bit on the line first."""
    fcs = made.fcs16(data).to_bytes(2, "little") if fcs is None else fcs
    return made.FLAG + stuff(made.lsb_first(data + fcs)) + made.FLAG


def stuffed_after_six(bits: str) -> str:
    return bits.replace("111111", "1111110")


def wrong_slow(data: bytes) -> dict[str, str]:
    """Bits of likely mistakes, each by its name."""
    right = made.fcs16(data)

    def with_fcs(fcs: int) -> str:
        return slow_bits(data, fcs.to_bytes(2, "little"))

    out = {
        "FCS-16 with its register preset to zeros": with_fcs(made.register(data, 0x8408, 0) ^ 0xFFFF),
        "FCS-16 not complemented": with_fcs(right ^ 0xFFFF),
        "FCS-16 of generator x^16+x^15+x^2+1": with_fcs(made.register(data, 0xA001, 0xFFFF) ^ 0xFFFF),
        "FCS-16 with its high octet first": slow_bits(data, right.to_bytes(2, "big")),
        "FCS-16 with its bits reversed": with_fcs(int(f"{right:016b}"[::-1], 2)),
        "octets with their highest bit first": made.FLAG
        + made.stuffed(made.lsb_first(made.reversed_octets(data + right.to_bytes(2, "little"))))
        + made.FLAG,
        "no FCS": slow_bits(data, b""),
    }
    if made.stuffed(made.lsb_first(data)) != made.lsb_first(data):
        out["no zero stuffed behind five ones"] = slow_bits(data, stuff=str)
        out["a zero stuffed behind six ones"] = slow_bits(data, stuff=stuffed_after_six)
    return out


# ---- Ethernet ---------------------------------------------------------------------------------------------

IDLE = "1" * 5


def fast_bits(
    data: bytes,
    fcs: bytes | None = None,
    *,
    fives: int = 13,
    high_first: bool = False,
    end: str = typed.T + typed.R,
) -> str:
    """An idle group, J K, preamble, SFD, the frame with its FCS, T R, an idle group."""
    fcs = typed.crc32(data).to_bytes(4, "little") if fcs is None else fcs
    groups = [typed.J, typed.K] + [typed.GROUPS[5]] * fives + [typed.GROUPS[0xD]]
    for octet in data + fcs:
        nibbles = (octet // 16, octet % 16) if high_first else (octet % 16, octet // 16)
        groups += [typed.GROUPS[nibble] for nibble in nibbles]
    return IDLE + "".join(groups) + end + IDLE


def wrong_fast(data: bytes) -> dict[str, str]:
    right = typed.crc32(data)

    def with_fcs(fcs: int) -> str:
        return fast_bits(data, fcs.to_bytes(4, "little"))

    return {
        "FCS-32 with its register preset to zeros": with_fcs(made.register(data, 0xEDB88320, 0) ^ 0xFFFFFFFF),
        "FCS-32 not complemented": with_fcs(right ^ 0xFFFFFFFF),
        "FCS-32 of another generator (1EDC6F41)": with_fcs(
            made.register(data, 0x82F63B78, 0xFFFFFFFF) ^ 0xFFFFFFFF
        ),
        "FCS-32 with its octets reversed": fast_bits(data, right.to_bytes(4, "big")),
        "FCS-32 with its bits reversed": with_fcs(int(f"{right:032b}"[::-1], 2)),
        "high nibble first": fast_bits(data, high_first=True),
        "a preamble of 15 nibbles 5 behind J K": fast_bits(data, fives=15),
        "a preamble of 14 nibbles 5 behind J K": fast_bits(data, fives=14),
        "a preamble of 12 nibbles 5 behind J K": fast_bits(data, fives=12),
        "no FCS": fast_bits(data, b""),
        "no T R": fast_bits(data, end=""),
    }


# ---- Places -----------------------------------------------------------------------------------------------


def slow_places(option: str) -> dict[str, list[list[int]]]:
    """(X, Y) of the slow C&M octets in order of transmission, by rate code."""
    words = min(WORD_OCTETS[option], 16)
    out = {}
    for code in range(1, 7):
        octets = words if code == 6 and words >= 8 else SLOW_OCTETS.get(code, 99)
        if octets <= words:
            out[str(code)] = [
                [x, y] for x in ((1, 129) if code == 1 else (1, 65, 129, 193)) for y in range(octets)
            ]
    return out


def fast_words(pointer: int) -> list[int]:
    """X of the fast C&M words in order of transmission."""
    return [64 * xs + ns for xs in range(4) for ns in range(pointer, 64)]


def frame(plane: str, about: str, data: bytes, bits: str, wrong: dict[str, str]) -> dict[str, Any]:
    assert bits not in wrong.values(), about
    return {"plane": plane, "about": about, "data": data.hex(), "bits": bits, "wrong": wrong}


def line_answers() -> bytes:
    """The file."""
    frames = [frame("hdlc", about, d, slow_bits(d), wrong_slow(d)) for about, d in HDLC.items()]
    frames += [frame("ethernet", about, d, fast_bits(d), wrong_fast(d)) for about, d in ETHERNET.items()]
    places = {
        "word_octets": WORD_OCTETS,
        "control_octets": 16,
        "version": [2, 0],
        "hfn": [64, 0],
        "rate_code": [66, 0],
        "bfn_low": [128, 0],
        "alarms": [130, 0],
        "bfn_high": [192, 0],
        "pointer_p": [194, 0],
        "alarm_masks": {"reset": 1, "rai": 2, "sdi": 4, "los": 8, "lof": 16},
        "sync_8b10b": {"0": 0xBC},
        "sync_64b66b": {"7": 0xFD, "8": 0xFB},
        "filler": 0x50,
        "filler_beside_sync_8b10b": 0xC5,
    }
    parts = {
        "schema": '"framefray.line-answers/1"',
        "places": json.dumps(places),
        "frames": "[\n  " + ",\n  ".join(json.dumps(f) for f in frames) + "\n ]",
        "slow_places": "{\n  "
        + ",\n  ".join(f'"{o}": {json.dumps(slow_places(o))}' for o in WORD_OCTETS)
        + "\n }",
        "fast_words": "{\n  "
        + ",\n  ".join(f'"{p}": {json.dumps(fast_words(p))}' for p in range(20, 64))
        + "\n }",
    }
    return ("{\n " + ",\n ".join(f'"{name}": {text}' for name, text in parts.items()) + "\n}\n").encode()


if __name__ == "__main__":
    folder = Path(__file__).parents[2] / "monitor" / "campaign" / "line_answers"
    folder.mkdir(exist_ok=True)
    (folder / "answers.json").write_bytes(line_answers())
