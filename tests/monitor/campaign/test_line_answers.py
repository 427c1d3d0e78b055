"""Line answers: who made the table, that other hands agree with it, and what is said of other octets."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from crccheck.crc import Crc32, CrcX25  # type: ignore[import-untyped]

from decoders.events import Plane
from decoders.linerates import OPTIONS
from monitor.campaign.known_answers import AnswerResult, Outcome
from monitor.campaign.line_answers import (
    FOLDER,
    KNOWN_FRAMES,
    ControlRun,
    LineTable,
    PlacedBit,
    SentKnownFrame,
    line_answers,
)
from monitor.faults import standard

VECTORS = Path(__file__).parents[2] / "vectors"


def _script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_line_answers", VECTORS / "make_line_answers.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.path.insert(0, str(VECTORS))
    try:
        spec.loader.exec_module(module)
    finally:
        sys.path.remove(str(VECTORS))
    return module


# ---- the table ----


def test_the_script_makes_the_table_that_ships() -> None:
    assert {path.name for path in FOLDER.iterdir()} == {"answers.json"}
    assert (FOLDER / "answers.json").read_bytes() == _script().line_answers()


def test_the_script_uses_no_code_of_the_project() -> None:
    lines = (VECTORS / "make_line_answers.py").read_text().splitlines()
    imports = [line for line in lines if line.startswith(("import ", "from "))]
    assert imports
    assert not any("decoders" in line or "monitor" in line for line in imports)


def test_the_worked_example_is_the_one_that_is_printed() -> None:
    """RFC 1662 appendix C: FF 03 41 has FCS 79DA; the bits were written down by hand in make_vectors.py."""
    [frame] = [f for f in KNOWN_FRAMES if f.data == bytes.fromhex("FF0341")]
    by_hand = "01111110 111110111 110000000 10000010 01011011 10011110 01111110"
    assert frame.bits == by_hand.replace(" ", "")


@pytest.mark.parametrize("frame", KNOWN_FRAMES, ids=lambda f: f"{f.plane} {f.about}")
def test_check_sequences_are_those_of_another_hand(frame: object) -> None:
    """crccheck (PyPI), CRC-16/X-25 and CRC-32, over bits that are taken apart here again."""
    assert isinstance(frame, type(KNOWN_FRAMES[0]))
    if frame.plane is Plane.HDLC:
        inside = frame.bits[8:-8].replace("111110", "11111")
        fcs = CrcX25.calc(frame.data).to_bytes(2, "little")
    else:
        groups = (
            "11110 01001 10100 10101 01010 01011 01110 01111 10010 10011 10110 10111 11010 11011 11100 11101"
        )
        nibbles = {group: f"{n:04b}"[::-1] for n, group in enumerate(groups.split())}  # 802.3 table 24-1
        head = "11111" + "11000" + "10001" + "01011" * 13 + "11011"
        tail = "01101" + "00111" + "11111"
        assert frame.bits.startswith(head) and frame.bits.endswith(tail)
        body = frame.bits[len(head) : -len(tail)]
        inside = "".join(nibbles[body[i : i + 5]] for i in range(0, len(body), 5))
        fcs = Crc32.calc(frame.data).to_bytes(4, "little")
    octets = bytes(int(inside[i : i + 8][::-1], 2) for i in range(0, len(inside), 8))
    assert octets == frame.data + fcs
    assert frame.bits not in frame.wrong.values()
    assert len(frame.data) <= 252


@pytest.mark.parametrize("option", OPTIONS)
def test_places_are_those_that_expectations_rest_on(option: str) -> None:
    """Two tables of two hands: this one, and the one in monitor/faults/standard.py."""
    table = LineTable(option, blocks=False)
    width = table.word_octets
    assert width == standard.WORD_OCTETS[option]
    numbered = np.arange(256 * width).reshape(1, 256, width)
    for code in range(7):
        assert (code in table.rate_codes) == bool(standard.hdlc_octets(option, code))
        if code in table.rate_codes:
            at = [
                64 * xs * width + ns * width + y
                for ns, xs, y in standard.hdlc_places(option, code).places.tolist()
            ]
            assert table.slow(numbered, code).tolist() == at
    for pointer in (20, 41, 63):
        assert table.fast(numbered, pointer).tolist() == standard.ethernet_octets(option, pointer).at.tolist()
    assert table.alarm_masks == standard.ALARM_MASKS


# ---- what is said of a line ----


def made_line(count: int = 160, first_hfn: int = 100) -> np.ndarray:
    """Control words of option 2 as a board sends them, by hand: rate code 3, p = 40, flags and idle."""
    words = np.zeros((count, 256, 2), np.uint16)
    words[:, 0] = 0x1BC, 0x50
    words[:, 2, 0], words[:, 66, 0], words[:, 194, 0] = 1, 3, 40
    number = first_hfn + np.arange(count)
    words[:, 64, 0] = number % 150
    bfn = (0xABC + number // 150) % 4096
    words[:, 128, 0], words[:, 192, 0] = bfn & 0xFF, bfn >> 8
    table = LineTable("2", blocks=False)
    for x, y in table.rate_codes[3]:
        words[:, x, y] = 0x7E
    words[:, [64 * xs + ns for xs in range(4) for ns in range(40, 64)]] = 0xFF
    return words


def put(words: np.ndarray, bits: str, first: int) -> None:
    """Slow C&M bits from hyperframe `first` on, in place of flags."""
    bits += "01111110" * (-len(bits) % 8)
    bits += "0" * (-len(bits) % 8)
    at = LineTable("2", blocks=False).rate_codes[3]
    for i in range(0, len(bits), 8):
        row, place = divmod(i // 8, len(at))
        words[(first + row, *at[place])] = int(bits[i : i + 8][::-1], 2)


def rows(words: np.ndarray, frames: list[SentKnownFrame], *placed: PlacedBit) -> dict[str, AnswerResult]:
    run = ControlRun(1000, words, flags=True)
    return {row.rule: row for row in line_answers("2", False, [run], frames, placed)}


FRAME = KNOWN_FRAMES[0]
SENT = SentKnownFrame(FRAME, 1010)


def frame_row(words: np.ndarray) -> AnswerResult:
    [row] = [row for rule, row in rows(words, [SENT]).items() if rule.startswith("known HDLC frame")]
    return row


def test_a_right_line_is_right() -> None:
    words = made_line()
    put(words, FRAME.bits, 12)
    assert {row.outcome for row in rows(words, [SENT]).values()} == {Outcome.PASS}


@pytest.mark.parametrize("wrong", FRAME.wrong)
def test_a_frame_that_is_sent_wrongly_is_called_by_its_mistake(wrong: str) -> None:
    words = made_line()
    put(words, FRAME.wrong[wrong], 12)
    row = frame_row(words)
    assert row.outcome is Outcome.FAIL
    assert row.observed.startswith(wrong)


def test_a_frame_that_does_not_come_or_comes_twice_fails() -> None:
    assert frame_row(made_line()).observed == "nothing like it in 160 hyperframes"
    words = made_line()
    put(words, FRAME.bits, 12)
    put(words, FRAME.bits, 40)
    row = frame_row(words)
    assert (row.outcome, row.observed) == (Outcome.FAIL, "2 times")
    words = made_line()
    put(words, FRAME.bits, 2)  # before it was asked for
    assert frame_row(words).outcome is Outcome.FAIL


def test_where_hyperframes_are_missing_a_frame_that_did_not_come_is_not_proven() -> None:
    words = made_line()
    runs = [ControlRun(1000, words[:80], flags=True), ControlRun(1090, words[90:], flags=True)]
    [row] = [row for row in line_answers("2", False, runs, [SENT]) if row.rule.startswith("known")]
    assert (row.outcome, "are missing" in row.observed) == (Outcome.NOT_PROVEN, True)


@pytest.mark.parametrize(
    ("x", "y", "value", "rule"),
    [
        (0, 0, 0x15C, "K28.5 in Z.0.0"),
        (0, 0, 0x0BC, "K28.5 in Z.0.0"),
        (0, 1, 0x51, "fillers"),
        (64, 0, 7, "HFN"),
        (128, 0, 0, "BFN"),
        (192, 0, 0, "BFN"),
        (2, 0, 3, "protocol version"),
        (66, 0, 2, "HDLC rate code"),
        (194, 0, 41, "pointer p"),
    ],
)
def test_one_octet_of_one_hyperframe_is_seen(x: int, y: int, value: int, rule: str) -> None:
    words = made_line()
    put(words, FRAME.bits, 12)
    words[77, x, y] = value
    failed = [name for name, row in rows(words, [SENT]).items() if not row.passed]
    assert len(failed) == 1 and failed[0].startswith(rule)


def test_reserved_bits_beside_are_not_looked_at() -> None:
    words = made_line()
    put(words, FRAME.bits, 12)
    words[:, 66, 0] |= 0xF8
    words[:, 192, 0] |= 0xF0
    words[:, 194, 0] |= 0xC0
    assert all(row.passed for row in rows(words, [SENT]).values())


def test_numbers_without_hfn_0_are_not_proven() -> None:
    told = rows(made_line(40, first_hfn=3), [])
    assert told["HFN in Z.64.0 counts 0 to 149"].outcome is Outcome.NOT_PROVEN


@pytest.mark.parametrize(
    ("octets", "right"),
    [
        ((0, 2, 2, 0), True),
        ((0, 4, 4, 0), False),
        ((0, 6, 6, 0), False),
        ((2, 2, 2, 0), False),
        ((0, 2, 0, 0), False),
    ],
)
def test_an_alarm_bit_is_the_one_of_the_table_and_no_other(octets: tuple[int, ...], right: bool) -> None:
    words = made_line()
    words[20:24, 130, 0] = octets
    told = rows(words, [], PlacedBit("RAI", 130, 0, 2, 2, 2, 1021))
    assert told["RAI is bit 1 of Z.130.0"].outcome is (Outcome.PASS if right else Outcome.FAIL)
