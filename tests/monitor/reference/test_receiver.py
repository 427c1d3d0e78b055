"""The scalar reference receiver against hand-written captures, published tables and worked examples."""

from __future__ import annotations

import importlib.util
import json
import random
from collections.abc import Callable, Iterable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from crccheck.crc import Crc32, CrcX25
from encdec8b10b import EncDec8B10B

from decoders.counters import COUNTERS
from monitor.reference.cm_channels import ethernet_frames, hdlc_frames
from monitor.reference.line_code import Characters, decode_symbols, symbol_words
from monitor.reference.receiver import (
    ReferenceResult,
    ReferenceSettings,
    receive_blocks,
    receive_characters,
)

VECTORS = Path(__file__).parents[2] / "vectors"
CAPTURES = sorted(
    path.name
    for path in VECTORS.iterdir()
    if path.suffix in (".octets", ".flagged", ".symbols", ".bits") and path.stem.startswith("option")
)
H1 = 4096
"""Octets of a hyperframe at option 1 (CPRI V7.0 Table 3)."""


def _make_vectors() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_vectors", VECTORS / "make_vectors.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


HAND = _make_vectors()


def _expected(stem: str) -> dict[str, Any]:
    expected: dict[str, Any] = json.loads((VECTORS / f"{stem}.json").read_text())
    return expected


def _receive_file(name: str, slip_bits: int) -> ReferenceResult:
    path = VECTORS / name
    data = path.read_bytes()
    settings = ReferenceSettings(option=_expected(path.stem)["option"])
    match path.suffix:
        case ".octets":
            return receive_characters(Characters.from_octets(data), settings, flags_known=False)
        case ".flagged":
            return receive_characters(Characters.from_flagged(data), settings)
        case ".symbols":
            return receive_characters(Characters.from_symbols(data), settings)
        case _:
            return receive_characters(Characters.from_bits(data, slip_bits), settings)


def _moved(result: ReferenceResult) -> dict[str, int]:
    return {name: value for name, value in result.counters.items() if value}


# ---- Hand-written captures ----


@pytest.mark.parametrize("name", CAPTURES)
def test_hand_written_capture(name: str) -> None:
    expected = _expected(Path(name).stem)
    result = _receive_file(name, expected["alignment_slip_bits"])
    assert tuple(result.counters) == COUNTERS
    assert _moved(result) == expected["counters"]
    for field in ("sync_state", "acquired_at_hyperframe", "hyperframes", "trailing_octets", "first", "last"):
        assert getattr(result, field) == expected[field], field
    assert result.l1 == expected["l1"]
    assert result.frames == expected["frames"]
    assert result.vendor == expected["vendor"]


def test_every_capture_is_there() -> None:
    assert len(CAPTURES) == 10


@pytest.mark.parametrize("name", [name for name in CAPTURES if name.endswith(".bits")])
def test_only_one_bit_offset_gives_sync(name: str) -> None:
    in_sync = [slip for slip in range(10) if _receive_file(name, slip).hyperframes]
    assert in_sync == [_expected(Path(name).stem)["alignment_slip_bits"]]


def test_captures_are_what_their_script_makes() -> None:
    made = HAND.captures()
    assert sorted(made) == CAPTURES
    for name, data in made.items():
        assert (VECTORS / name).read_bytes() == data, name


@pytest.mark.parametrize("stem", sorted({Path(name).stem for name in CAPTURES}))
def test_octets_stand_where_the_address_says(stem: str) -> None:
    octets = (VECTORS / f"{stem}.octets").read_bytes()
    for at, value in _expected(stem)["octets_at"].items():
        wanted = bytes.fromhex(value)
        assert octets[int(at) : int(at) + len(wanted)] == wanted, at


# ---- 8B/10B ----


def test_every_word_against_an_independent_coder() -> None:
    """encdec8b10b: bit a in bit 0, running disparity - written 0."""
    words = symbol_words()
    assert len(words) == 2 * 268
    for (octet, k, rd), bits in words.items():
        next_rd, symbol = EncDec8B10B.enc_8b10b(octet, int(rd > 0), k)
        assert int(bits[::-1], 2) == symbol
        assert EncDec8B10B.dec_8b10b(symbol) == (k, octet)
        # The disparity after the word shows in how the next K28.5 must begin.
        follower = int(words[0xBC, 1, 1 if next_rd else -1][::-1], 2)
        assert decode_symbols([symbol, follower], rd) == [(octet, k, 0, 0), (0xBC, 1, 0, 0)]


def test_words_by_hand() -> None:
    """IEEE 802.3 Tables 36-1 and 36-2."""
    words = symbol_words()
    assert words[0xBC, 1, -1] == "0011111010"
    assert words[0xBC, 1, 1] == "1100000101"
    assert words[0x50, 0, -1] == "0110110101"
    assert words[0xC5, 0, -1] == words[0xC5, 0, 1] == "1010010110"
    assert words[0xF1, 0, -1] == "1000110111"
    assert words[0xEB, 0, 1] == "1101001000"


def test_how_many_words_are_legal() -> None:
    """Computed from the tables: 464 of 1024 are legal, 72 of them in both columns."""
    received = {rd: [decode_symbols([s], rd)[0] for s in range(1024)] for rd in (-1, 1)}
    assert sum(c[2] for c in received[-1]) == sum(c[2] for c in received[1]) == 560
    clean = [received[-1][s][2:] == (0, 0) and received[1][s][2:] == (0, 0) for s in range(1024)]
    assert sum(clean) == 72
    assert all(a[:3] == b[:3] for a, b in zip(received[-1], received[1], strict=True))


def test_violation_disparity_error_and_start() -> None:
    word = {key: int(bits[::-1], 2) for key, bits in symbol_words().items()}
    comma_minus, comma_plus = word[0xBC, 1, -1], word[0xBC, 1, 1]
    assert decode_symbols([comma_plus, comma_minus]) == [(0xBC, 1, 0, 0)] * 2
    assert decode_symbols([comma_plus, comma_minus], -1)[0] == (0xBC, 1, 0, 1)
    assert decode_symbols([comma_minus, comma_minus]) == [(0xBC, 1, 0, 0), (0xBC, 1, 0, 1)]
    # All zeros is no word, and leaves the disparity negative; a neutral D21.5 says nothing of the start.
    assert decode_symbols([word[0xB5, 0, 1], 0, comma_minus], 1) == [
        (0xB5, 0, 0, 0),
        (0, 0, 1, 0),
        (0xBC, 1, 0, 0),
    ]
    assert decode_symbols([word[0xB5, 0, -1], comma_plus])[1] == (0xBC, 1, 0, 0)


def test_a_flipped_line_bit_always_shows() -> None:
    """One flip is one or two events when enough characters follow (computed)."""
    rng = random.Random(7)
    for _ in range(300):
        characters = [(rng.randrange(256), False) for _ in range(60)]
        symbols = [int(bits[::-1], 2) for bits in HAND.to_symbols(characters)]
        symbols[10] ^= 1 << rng.randrange(10)
        events = sum(c[2] + c[3] for c in decode_symbols(symbols, -1))
        assert 1 <= events <= 2


# ---- HDLC ----

FLAG = "01111110"


def _lsb_bits(octets: bytes) -> str:
    return "".join(f"{octet:08b}"[::-1] for octet in octets)


def _stuffed(bits: str) -> str:
    out, ones = "", 0
    for bit in bits:
        out += bit
        ones = ones + 1 if bit == "1" else 0
        if ones == 5:
            out, ones = out + "0", 0
    return out


def _with_fcs16(data: bytes) -> bytes:
    return data + CrcX25.calc(data).to_bytes(2, "little")


def _hdlc(data: bytes) -> str:
    return _stuffed(_lsb_bits(_with_fcs16(data)))


def _summary(frames: Iterable[Any]) -> list[tuple[str, str]]:
    return [(frame.status.value, frame.data.hex()) for frame in frames]


def test_hdlc_worked_octets() -> None:
    """FF 03 41 with FCS 0x79DA (RFC 1662 appendix C); the stuffed octets are computed."""
    frames = hdlc_frames(bytes.fromhex("7EDF070469E7F9F9"))
    assert [(f.status.value, f.data.hex(), f.fcs.hex(), f.end_octet) for f in frames] == [
        ("good", "ff0341", "da79", 7)
    ]


A, B = bytes.fromhex("ff0341"), bytes.fromhex("0103fffffe7e")


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        pytest.param(FLAG + _hdlc(A) + FLAG + FLAG, [("good", "ff0341")], id="flags"),
        pytest.param(
            FLAG + _hdlc(A) + FLAG + _hdlc(B) + FLAG, [("good", A.hex()), ("good", B.hex())], id="one"
        ),
        pytest.param(
            FLAG + _hdlc(A) + FLAG + FLAG[1:] + _hdlc(B) + FLAG,
            [("good", A.hex()), ("good", B.hex())],
            id="shared zero",
        ),
        pytest.param(_hdlc(A) + FLAG + _hdlc(B) + FLAG, [("good", B.hex())], id="start within a frame"),
        pytest.param("1" * 40 + FLAG + _hdlc(A) + FLAG + "1" * 40, [("good", A.hex())], id="idle ones"),
        pytest.param(FLAG + "1" * 40 + FLAG, [], id="idle after a flag"),
        pytest.param(FLAG + _hdlc(A) + "1111111" + FLAG + _hdlc(B) + FLAG, None, id="abort"),
        pytest.param(FLAG + _hdlc(A)[:-1] + FLAG, [("unaligned", "ff0341da")], id="a bit short"),
        pytest.param(FLAG + _hdlc(b"\x03") + FLAG, [("too_short", "03")], id="24 bits"),
        pytest.param(FLAG + _stuffed(_lsb_bits(b"\x03\x04\x05\x06")) + FLAG, [("fcs", "0304")], id="32 bits"),
        pytest.param(FLAG + _lsb_bits(b"\x03")[:5] + FLAG, [("unaligned", "")], id="5 bits"),
        pytest.param(FLAG + _hdlc(bytes(2046)) + FLAG, [("good", "00" * 2046)], id="2048 octets"),
        pytest.param(FLAG + _hdlc(bytes(2047)) + FLAG, [("too_long", "00" * 2047)], id="2049 octets"),
        pytest.param(FLAG + "00011111" + FLAG, [("too_short", "f8")], id="flag right after five ones"),
        pytest.param(FLAG + "1111100" + FLAG, [("unaligned", "")], id="stuffed zero, then a bit"),
    ],
)
@pytest.mark.parametrize("phase", range(8))
def test_hdlc_headings(line: str, expected: list[tuple[str, str]] | None, phase: int) -> None:
    frames = _summary(hdlc_frames(HAND.pack("0" * phase + line)))
    if expected is None:
        assert [status for status, _ in frames] == ["abort", "good"]
        assert frames[1][1] == B.hex()
    else:
        assert frames == expected


def test_hdlc_bit_order_is_a_setting() -> None:
    line = FLAG + _hdlc(B) + FLAG
    line += "0" * (-len(line) % 8)
    swapped = bytes(int(line[i : i + 8], 2) for i in range(0, len(line), 8))
    assert _summary(hdlc_frames(swapped, lsb_first=False)) == [("good", B.hex())]
    assert ("good", B.hex()) not in _summary(hdlc_frames(swapped))


# ---- Ethernet ----

IDLE = "1" * 20
FIVE, SFD = HAND.GROUPS[5], HAND.GROUPS[0xD]
SSD, ESD = HAND.J + HAND.K, HAND.T + HAND.R


def _mac(octets: int, tagged: bool = False) -> bytes:
    """A frame of so many octets with its check sequence."""
    data = bytes(12) + (b"\x81\x00" if tagged else b"\x88\xb5")
    data += bytes(i & 0xFF for i in range(octets - 4 - len(data)))
    return data + Crc32.calc(data).to_bytes(4, "little")


def _groups(octets: bytes) -> str:
    return "".join(HAND.GROUPS[o % 16] + HAND.GROUPS[o // 16] for o in octets)


def _ethernet(octets: bytes, ssd: str = SSD, preamble: str = FIVE * 13 + SFD, esd: str = ESD) -> str:
    return IDLE + ssd + preamble + _groups(octets) + esd + IDLE


MIN = _mac(64)
NINE = HAND.GROUPS[9]


def _broken(group: str, at: int = 40) -> str:
    body = _groups(MIN)
    return IDLE + SSD + FIVE * 13 + SFD + body[: 5 * at] + group + body[5 * at + 5 :] + ESD + IDLE


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        pytest.param(_ethernet(MIN), ["good"], id="64"),
        pytest.param(_ethernet(_mac(63)), ["too_short"], id="63"),
        pytest.param(_ethernet(_mac(1518)), ["good"], id="1518"),
        pytest.param(_ethernet(_mac(1519)), ["too_long"], id="1519"),
        pytest.param(_ethernet(_mac(1522, tagged=True)), ["good"], id="1522 tagged"),
        pytest.param(_ethernet(_mac(1523, tagged=True)), ["too_long"], id="1523 tagged"),
        pytest.param(_ethernet(MIN[:-1] + bytes([MIN[-1] ^ 1])), ["fcs"], id="fcs"),
        pytest.param(_ethernet(MIN, preamble=FIVE * 3 + SFD), ["good"], id="short preamble"),
        pytest.param(_ethernet(MIN, preamble=FIVE * 32 + SFD), ["good"], id="32 fives"),
        pytest.param(_ethernet(MIN, preamble=FIVE * 33 + SFD), ["delimiter"], id="33 fives"),
        pytest.param(_ethernet(MIN, preamble=FIVE * 13 + NINE), ["delimiter"], id="wrong sfd"),
        pytest.param(_ethernet(MIN, ssd=HAND.K + HAND.K), ["delimiter"], id="J broken"),
        pytest.param(_ethernet(MIN, ssd=HAND.J + HAND.J), ["delimiter"], id="K broken"),
        pytest.param(_ethernet(MIN, esd=HAND.T), ["delimiter"], id="T without R"),
        pytest.param(_ethernet(MIN, esd=HAND.R), ["delimiter"], id="R without T"),
        pytest.param(_ethernet(MIN, esd=""), ["delimiter"], id="no esd"),
        pytest.param(_ethernet(MIN, esd=NINE + ESD), ["delimiter"], id="odd nibble"),
        pytest.param(_broken("00100"), ["code"], id="H"),
        pytest.param(_broken("11111"), ["delimiter"], id="idle inside"),
        pytest.param(IDLE + "11011" + IDLE, ["delimiter"], id="false carrier"),
        pytest.param(_ethernet(MIN) + "11111" + _ethernet(MIN)[20:], ["good", "good"], id="five idles"),
        pytest.param(_groups(MIN) + ESD + _ethernet(MIN), ["good"], id="start within a frame"),
        pytest.param("0" * 200 + _ethernet(MIN), ["good"], id="nothing before"),
        *(
            pytest.param(_broken(group), ["code"], id=group)
            for group in "00000 00001 00010 00011 00101 00110 01000 01100 10000 11001".split()
        ),
    ],
)
@pytest.mark.parametrize("phase", range(8))
def test_ethernet_headings(line: str, expected: list[str], phase: int) -> None:
    frames = ethernet_frames(HAND.pack("01010101"[:phase] + line + "1" * (-(phase + len(line)) % 8)))
    assert [frame.status.value for frame in frames] == expected
    for frame in frames:
        if frame.status.value == "good":
            assert Crc32.calc(frame.data).to_bytes(4, "little") == frame.fcs


def test_ethernet_needs_one_idle_group_between_frames() -> None:
    body = SSD + FIVE * 13 + SFD + _groups(MIN) + ESD + "11111"
    frames = ethernet_frames(HAND.pack(IDLE + body * 3 + IDLE))
    assert [frame.status.value for frame in frames] == ["good"] * 3


def test_ethernet_bit_order_is_a_setting() -> None:
    line = _ethernet(MIN)
    line += "1" * (-len(line) % 8)
    swapped = bytes(int(line[i : i + 8], 2) for i in range(0, len(line), 8))
    assert [f.status.value for f in ethernet_frames(swapped, lsb_first=False)] == ["good"]


# ---- Hyperframes: sync, alarms, continuity ----

Flagged = list[tuple[int, int, int, int]]


def _stream(count: int, change: Callable[[int, Any], None] | None = None, start_hfn: int = 10) -> Flagged:
    """Hyperframes of option 1 with version 1, 480 kbit/s of flags and p = 40 with idle."""
    out: Flagged = []
    for n in range(count):
        hf = HAND.Hyperframe(1)
        frames = start_hfn + n
        hf.sync_and_timing(hfn=frames % 150, bfn=(4095 + frames // 150) % 4096)
        hf.l1(version=1, rate_code=2, alarms=0, pointer=40)
        hf.slow(b"\x7e" * 4)
        hf.fast(b"\xff" * 96, 40)
        if change is not None:
            change(n, hf)
        out += [(octet, int(k), 0, 0) for octet, k in hf.characters()]
    return out


def _set(hyperframes: Iterable[int], x: int, value: int) -> Callable[[int, Any], None]:
    def change(n: int, hf: Any) -> None:
        if n in hyperframes:
            hf.put(x, 0, value)

    return change


def _receive(characters: Flagged, flags_known: bool = True) -> ReferenceResult:
    return receive_characters(characters, ReferenceSettings("1"), flags_known)


def _spoil(characters: Flagged, hyperframe: int, count: int, first: int = 2001) -> None:
    """That many code errors in the IQ octets of a hyperframe, by turns of both kinds."""
    for i in range(count):
        at = hyperframe * H1 + first + i + i // 15
        assert at % 16, "IQ only"
        characters[at] = (0, 0, 1, 0) if i % 2 else (0, 0, 0, 1)


def test_a_clean_stream_moves_nothing() -> None:
    result = _receive(_stream(160))
    assert _moved(result) == {}
    assert (result.hyperframes, result.sync_state, result.trailing_octets) == (160, "HFNSYNC", 0)
    assert (result.first, result.last) == ({"bfn": 4095, "hfn": 10}, {"bfn": 0, "hfn": 19})


@pytest.mark.parametrize("flags_known", [True, False])
def test_start_in_the_middle(flags_known: bool) -> None:
    result = _receive(_stream(8)[H1 + 1000 : 7 * H1 - 5], flags_known)
    assert _moved(result) == {}
    assert (result.acquired_at_hyperframe, result.hyperframes, result.trailing_octets) == (0, 4, H1 - 5)
    assert result.first == {"bfn": 4095, "hfn": 12}


def test_0xbc_by_chance_is_no_sync_byte() -> None:
    data = _stream(6, lambda _, hf: hf.iq(5, b"\xbc" * 15))[60:]
    for flags_known in (True, False):
        result = _receive(data, flags_known)
        assert (result.hyperframes, result.first) == (5, {"bfn": 4095, "hfn": 11})


@pytest.mark.parametrize(
    ("octets", "state", "hyperframes"),
    [
        (0, "XACQ1", 0),
        (H1, "XACQ2", 0),
        (H1 + 1, "XSYNC1", 1),
        (2 * H1, "XSYNC1", 2),
        (3 * H1, "XSYNC2", 3),
        (3 * H1 + 1, "HFNSYNC", 3),
        (4 * H1 - 1, "HFNSYNC", 3),
    ],
)
def test_short_streams(octets: int, state: str, hyperframes: int) -> None:
    result = _receive(_stream(4)[:octets])
    assert (result.sync_state, result.hyperframes) == (state, hyperframes)
    assert result.trailing_octets == octets - hyperframes * H1


def test_sync_byte_missed_right_after_the_confirmed_run() -> None:
    assert _moved(_receive(_stream(8, _set([4], 0, 0x4A)))) == {"missed_sync_bytes": 1}
    # One missed within the run: the first sync byte has no run, so sync begins after it.
    late = _receive(_stream(9, _set([3], 0, 0x4A)))
    assert (_moved(late), late.acquired_at_hyperframe, late.hyperframes) == ({}, 4, 5)


@pytest.mark.parametrize(("missed", "state"), [(1, "XSYNC2"), (2, "XSYNC1")])
def test_flywheel_over_missed_sync_bytes(missed: int, state: str) -> None:
    """CPRI V7.0 clause 4.2.9, Fig. 26, one state back for each bad sync byte (arcs from memory)."""
    bad = range(6, 6 + missed)
    whole = _receive(_stream(12, _set(bad, 0, 0x4A)))
    assert _moved(whole) == {"missed_sync_bytes": missed}
    assert (whole.hyperframes, whole.sync_state) == (12, "HFNSYNC")
    assert _receive(_stream(6 + missed, _set(bad, 0, 0x4A))).sync_state == state


def test_three_missed_sync_bytes_lose_sync() -> None:
    def change(n: int, hf: Any) -> None:
        if n in (6, 7, 8):
            hf.put(0, 0, 0x4A)
        if n < 8:
            hf.slow(b"\x7e\x01\x01\x01" if n == 0 else b"\x01" * 4)  # a frame that never ends
        hf.put(16, 0, n)  # vendor specific, new in every hyperframe

    result = _receive(_stream(16, change))
    assert _moved(result) == {
        "missed_sync_bytes": 3,
        "lof_events": 1,
        "hdlc_lost_sync": 1,
        "vendor_changes": 7 + 6,
    }
    # Hyperframe 8 is not decoded; sync comes back at the ninth, and counting goes on.
    assert (result.hyperframes, result.sync_state) == (15, "HFNSYNC")
    assert [v["hyperframe"] for v in result.vendor] == [*range(1, 8), *range(9, 15)]


@pytest.mark.parametrize(("errors", "los"), [(15, 0), (16, 1)])
def test_los_from_sixteen_code_errors_in_one_hyperframe(errors: int, los: int) -> None:
    """CPRI V7.0 clause 4.2.10 (LOS at 16 code violations; clearing after a clean hyperframe from memory)."""
    characters = _stream(12)
    _spoil(characters, 5, errors)
    result = _receive(characters)
    moved = {"code_violations": errors // 2, "disparity_errors": errors - errors // 2}
    assert _moved(result) == moved | ({"los_events": 1, "lof_events": 1} if los else {})
    # Lost: hyperframe 6 is the clean one that clears LOS.
    assert result.hyperframes == 12 - los


def test_code_errors_of_two_hyperframes_do_not_add_up() -> None:
    characters = _stream(12)
    _spoil(characters, 5, 8, first=H1 - 15)
    _spoil(characters, 6, 8, first=1)
    assert _moved(_receive(characters)) == {"code_violations": 8, "disparity_errors": 8}


def test_a_character_with_both_errors_counts_once_for_los() -> None:
    characters = _stream(8)
    for i in range(15):
        characters[5 * H1 + 2001 + i] = (0, 0, 1, 1)
    assert _moved(_receive(characters)) == {"code_violations": 15, "disparity_errors": 15}


def test_los_stands_until_a_clean_hyperframe() -> None:
    characters = _stream(14)
    for hyperframe, errors in ((5, 20), (6, 1), (7, 40)):
        _spoil(characters, hyperframe, errors)
    result = _receive(characters)
    assert result.counters["los_events"] == result.counters["lof_events"] == 1
    assert result.counters["code_violations"] + result.counters["disparity_errors"] == 61
    assert result.hyperframes == 6 + 5


def test_los_before_sync_is_no_loss_of_frame() -> None:
    characters = [(0, 0, 1, 0)] * (2 * H1) + _stream(7)
    result = _receive(characters)
    assert _moved(result) == {"code_violations": 2 * H1, "los_events": 1}
    assert (result.acquired_at_hyperframe, result.hyperframes) == (3, 6)


@pytest.mark.parametrize(
    ("x", "values", "expected"),
    [
        (64, {5: 99}, {"hfn_discontinuities": 2}),
        (64, {5: 150}, {"hfn_invalid": 1}),
        (64, {5: 255, 6: 200}, {"hfn_invalid": 2}),
        (128, {5: 7}, {"bfn_discontinuities": 2}),
        (192, {5: 0xF0 | 15}, {}),
        (2, {5: 2}, {"version_unknown": 1}),
        (66, {5: 5}, {"hdlc_rate_invalid": 1}),
        (66, {5: 0xF8 | 2}, {}),
        (194, {5: 1, 6: 19}, {"pointer_invalid": 2}),
        (194, {5: 0xC0 | 40}, {}),
        (194, dict.fromkeys(range(5, 8), 41), {}),
        (130, {5: 0x1E}, {"l1_alarm_changes": 8}),
        (130, {0: 0xE0}, {}),
        (130, dict.fromkeys(range(2, 11), 1), {"l1_alarm_changes": 2}),
        (130, dict.fromkeys(range(2, 12), 1), {"l1_alarm_changes": 2, "reset_requests": 1}),
        (4, {5: 1}, {"ctrl_axc_changes": 2}),
        (7 + 192, {5: 1}, {"ctrl_axc_changes": 2}),
        (3, {5: 1}, {"reserved_changes": 2}),
        (15 + 128, {5: 1}, {"reserved_changes": 2}),
        (16, {5: 1}, {"vendor_changes": 2}),
        (39 + 192, {5: 1}, {"vendor_changes": 2}),
    ],
)
def test_one_control_octet(x: int, values: dict[int, int], expected: dict[str, int]) -> None:
    def change(n: int, hf: Any) -> None:
        if n in values:
            hf.put(x, 0, values[n])

    assert _moved(_receive(_stream(14, change))) == expected


def test_k_characters_and_fillers() -> None:
    characters = _stream(6)
    characters[2 * H1 + 777] = (0xBC, 1, 0, 0)
    assert _moved(_receive(characters)) == {"unexpected_k": 1}

    def stream(fillers: dict[int, tuple[int, int, int]]) -> Flagged:
        out: Flagged = []
        for n in range(6):
            hf = HAND.Hyperframe(4)
            hf.sync_and_timing(hfn=n, bfn=0, filler_1=0xC5)
            hf.l1(version=1, rate_code=0, alarms=0, pointer=0)
            for y, octet in enumerate(fillers.get(n, ()), start=1):
                hf.put(0, y, octet)
            out += [(octet, int(k), 0, 0) for octet, k in hf.characters()]
        return out

    settings = ReferenceSettings("3")
    wrong = stream({4: (0x50, 0xC5, 0x00), 5: (0x50, 0x50, 0x50)})
    assert _moved(receive_characters(wrong, settings)) == {"filler_mismatches": 1}
    clean = stream({})
    clean[3 * 16384 + 2] = (0x50, 0, 1, 0)
    assert _moved(receive_characters(clean, settings)) == {"code_violations": 1, "filler_mismatches": 1}


def test_new_pointer_is_taken_over_with_the_fourth_hyperframe() -> None:
    """Four consecutive hyperframes before C&M settings are taken over: common practice, no source."""

    def change(n: int, hf: Any) -> None:
        if n >= 5:
            hf.put(194, 0, 45)
        # Until the pointer is taken over, subchannel 41 is the idle of Ethernet, then it is vendor specific.
        if n in (6, 10):
            hf.put(41, 0, 0x80 | n)

    result = _receive(_stream(14, change))
    # 41 is in the middle of idle: zeros there are a false carrier while Ethernet, changes after that.
    assert _moved(result) == {"ethernet_delimiter_errors": 1, "vendor_changes": 2}
    assert [(v["hyperframe"], v["ns"], v["new"]) for v in result.vendor] == [(10, 41, 0x8A), (11, 41, 0xFF)]
    assert result.l1["pointer_p"] == 45
    assert [_receive(_stream(n, change)).l1["pointer_p"] for n in (8, 9)] == [40, 45]


def test_frame_cut_by_a_new_pointer_or_rate_counts_as_lost_only() -> None:
    fast = HAND.pack(IDLE + SSD + FIVE * 13 + SFD + NINE * 2000)
    slow = b"\x7e" + b"\x01" * 99

    def change(n: int, hf: Any) -> None:
        if n < 9:
            hf.fast(fast[96 * n : 96 * n + 96], 40)
            hf.slow(slow[4 * n : 4 * n + 4])
        if n >= 5:
            hf.put(194, 0, 45)
            hf.put(66, 0, 1)

    # Taken over with hyperframe 8; what HDLC leaves of subchannel 1 then is compared, and so are 40 to 44.
    moved = _moved(_receive(_stream(9, change)))
    assert (moved.pop("hdlc_lost_sync"), moved.pop("ethernet_lost_sync")) == (1, 1)
    assert moved.keys() <= {"vendor_changes"}


def _words(y_count: int, count: int, change: Callable[[int, Any], None]) -> Flagged:
    """Hyperframes of wider words with no C&M channels."""
    out: Flagged = []
    for n in range(count):
        hf = HAND.Hyperframe(y_count)
        hf.sync_and_timing(hfn=n, bfn=0)
        hf.l1(version=1, rate_code=0, alarms=0, pointer=0)
        change(n, hf)
        out += [(octet, int(k), 0, 0) for octet, k in hf.characters()]
    return out


@pytest.mark.parametrize(
    ("rate_code", "places"),
    [
        (1, [(1, 0), (129, 0)]),
        (2, [(1, 0), (65, 0), (129, 0), (193, 0)]),
        (3, [(x, y) for x in (1, 65, 129, 193) for y in range(2)]),
        (4, [(x, y) for x in (1, 65, 129, 193) for y in range(4)]),
        (5, [(x, y) for x in (1, 65, 129, 193) for y in range(5)]),
        (6, [(x, y) for x in (1, 65, 129, 193) for y in range(8)]),
    ],
)
def test_where_hdlc_lies_at_each_rate(rate_code: int, places: list[tuple[int, int]]) -> None:
    """CPRI V7.0 Table 11 (the two octets of 240 kbit/s from memory)."""
    line = HAND.HDLC_WORKED + b"\xf9" * 400

    def change(n: int, hf: Any) -> None:
        hf.put(66, 0, rate_code)
        for i, (x, y) in enumerate(places):
            hf.put(x, y, line[n * len(places) + i])

    result = receive_characters(_words(8, 5, change), ReferenceSettings("5"))
    assert _moved(result) == {"hdlc_frames": 1}
    assert [(f["hyperframe"], f["data"]) for f in result.frames] == [(7 // len(places), "ff0341")]


def test_reserved_octets_of_wider_words() -> None:
    """CPRI V7.0 clause 4.2.7: all but the sync word, the L1 octets and the timing octets themselves."""

    def change(n: int, hf: Any) -> None:
        if n == 2:
            for x, y in ((64, 1), (192, 3), (2, 1), (194, 3), (1, 0), (193, 3), (3, 2)):
                hf.put(x, y, 0x11)
            hf.put(17, 3, 0x11)

    result = receive_characters(_words(4, 5, change), ReferenceSettings("3"))
    assert _moved(result) == {"reserved_changes": 14, "vendor_changes": 2}


def test_without_flags_the_fillers_tell_a_sync_byte() -> None:
    def change(n: int, hf: Any) -> None:
        hf.iq(0, b"\x00\x00\xbc\x50\x51\x50")  # a decoy with a running "HFN"
        hf.put(64, 2, n, w=1)

    data = _words(4, 6, change)[3:]
    result = receive_characters(data, ReferenceSettings("3"), flags_known=False)
    assert (result.acquired_at_hyperframe, result.first, result.hyperframes) == (0, {"bfn": 0, "hfn": 1}, 5)


def test_first_hyperframes_decide_by_majority() -> None:
    assert [_receive(_stream(3, _set([n], 194, 20))).l1["pointer_p"] for n in range(3)] == [40] * 3
    result = _receive(_stream(3, lambda n, hf: hf.put(194, 0, (30, 50, 20)[n])))
    assert result.l1["pointer_p"] == 30


def test_options_with_another_line_code_are_refused() -> None:
    with pytest.raises(ValueError, match="no 64B/66B"):
        receive_blocks(b"", "bits", ReferenceSettings("7"))
    with pytest.raises(ValueError, match="symbols"):
        receive_blocks(b"", "symbols", ReferenceSettings("8"))
