"""What records say: layouts of every message, and the document with its examples."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.linerates import OPTIONS
from decoders.link.hyperframe_sync import SyncState
from monitor.boards.no_status import no_status
from monitor.protocol import records as r
from monitor.protocol import stream
from monitor.protocol.stream import Damage, DamageKind, RecordReader, RecordWriter
from tests.support.records import MESSAGES, options, records_of, u8, u16, u32, u64

PROTOCOL = (Path(r.__file__).parent / "PROTOCOL.md").read_text("utf-8")


@settings(max_examples=500, deadline=None)
@given(MESSAGES, u16, u32, u64)
def test_every_message_survives_the_line(message: r.Message, flags: int, sequence: int, time_ns: int) -> None:
    line = RecordWriter(sequence).message(message, flags=flags, time_ns=time_ns)
    assert line.count(0) == 2
    (record,) = RecordReader().feed(line)
    assert isinstance(record, r.Record)
    assert (record.flags, record.sequence, record.time_ns) == (flags, sequence, time_ns)
    assert r.parse_message(record) == message


def test_every_record_type_has_a_message() -> None:
    assert set(r.KIND_OF_TYPE) | {1, 2, 3, 4} == {int(kind) for kind in r.RecordType}


@given(u8, u8, u16, u32, u64)
def test_struct_header_is_the_construct_one(
    version: int, kind: int, flags: int, sequence: int, time_ns: int
) -> None:
    packed = struct.pack("<BBHIQ", version, kind, flags, sequence, time_ns)
    head = r.HEADER.parse(packed)
    assert (head.version, head.type, head.flags, head.sequence, head.time_ns) == (
        version,
        kind,
        flags,
        sequence,
        time_ns,
    )
    assert r.HEADER.sizeof() == r.HEADER_OCTETS == len(packed)


@given(u64, u32, options, st.binary(max_size=40))
def test_line_data_head_is_the_construct_one(
    hyperframe: int, offset: int, option: str | None, data: bytes
) -> None:
    payload = r.data_payload(hyperframe, offset, option, data)
    head = r.DATA_HEAD.parse(payload)
    assert (head.hyperframe, head.offset, head.option) == (hyperframe, offset, option)
    assert payload[r.DATA_HEAD.sizeof() :] == data


# ---------------------------------------------------------------- the document


def _hex_lines(pattern: str) -> list[bytes]:
    return [bytes.fromhex(line) for line in re.findall(pattern, PROTOCOL, re.MULTILINE)]


def test_worked_examples_are_right() -> None:
    one, two, three, four = _hex_lines(r"^    (00 03 01.* 00|00 04 01.* 00)$")
    (plain,) = _hex_lines(r"^    (01 44 .*)$")
    reader = RecordReader()
    (command,) = records_of(reader.feed(one))
    assert cobs.decode(one[1:-1]) == plain
    assert (command.sequence, r.parse_message(command)) == (7, r.InjectFault("hdlc.fcs@40"))
    assert one == RecordWriter(7).message(r.InjectFault("hdlc.fcs@40"))
    answer, data = records_of(RecordReader().feed(two + three))
    assert (answer.sequence, answer.time_ns) == (3, 2_666_666)
    assert r.parse_message(answer) == r.Acknowledge(7, r.RecordType.INJECT_FAULT, 40, "")
    assert data.flags == r.RecordFlag.FIRST
    words = b"".join(w.to_bytes(2, "little") for w in (0x1BC, 0x50, 0xC5, 0))
    assert r.parse_message(data) == r.LineData(0, 0, "2", words, r.RecordType.FLAGGED)
    (status,) = records_of(RecordReader().feed(four))
    said = r.parse_message(status)
    assert isinstance(said, r.Status)
    assert (said.name, said.option, said.data_type, said.alignment_bits) == (
        "RE-2",
        "8",
        r.RecordType.BLOCKS,
        37,
    )
    assert (said.flags, said.hyperframes, said.resets, said.delay_clocks) == (0x3C, 150, 1, 12)
    assert four == RecordWriter(9).message(said, time_ns=10_000_000)


def test_the_record_octet_by_octet_is_the_first_example() -> None:
    rows = re.findall(r"^\| (\d+) \| ([0-9A-F]{2}(?: [0-9A-F]{2})*) \| ", PROTOCOL, re.MULTILINE)
    (plain,) = _hex_lines(r"^    (01 44 .*)$")
    octets = bytearray()
    for offset, text in rows:
        assert int(offset) == len(octets)
        octets += bytes.fromhex(text)
    assert bytes(octets) == plain
    pieces = re.findall(
        r"^\| [^|]+ \| ((?:[0-9A-F]{2}(?: [0-9A-F]{2})*)(?:, ten times)?) \|$", PROTOCOL, re.MULTILINE
    )
    coded = b"".join(
        bytes.fromhex(text.removesuffix(", ten times")) * (10 if text.endswith("times") else 1)
        for text in pieces
    )
    assert coded == cobs.encode(plain)


def test_every_size_in_the_document_is_that_of_a_hyperframe() -> None:
    for name, per_bit in (("OCTETS", 512), ("FLAGGED", 1024), ("CONTROL", 64), ("BLOCKS", 576)):
        assert re.search(rf"^\| {name} \|.*\| {per_bit} T octets \|$", PROTOCOL, re.MULTILINE), name
    for option in OPTIONS.values():
        octets = option.hyperframe_octets
        assert octets == 512 * option.word_bits
        assert octets // 8 * r.BLOCK_OCTETS == 576 * option.word_bits


def test_document_names_every_type_event_and_reason() -> None:
    for kind in r.RecordType:
        assert re.search(rf"\b{kind:02X},? {kind.name}\b|\| {kind:02X} \| {kind.name} ", PROTOCOL), kind
    for code in r.EventCode:
        assert f"{code} {code.name.replace('_', ' ')}".lower() in PROTOCOL.lower(), code
    for reason in r.Reason:
        assert f"{reason} {reason.name.lower().replace('_', ' ')}" in PROTOCOL, reason
    for flag in list(r.RecordFlag):
        assert f"| {flag:04d} | {flag.name} |" in PROTOCOL


# ---------------------------------------------------------------- options 7A to 10


def test_blocks_and_words_are_never_split() -> None:
    writer = RecordWriter()
    for kind, unit in ((r.RecordType.FLAGGED, 2), (r.RecordType.CONTROL, 2), (r.RecordType.BLOCKS, 9)):
        for offset, size in ((0, unit - 1), (0, unit + 1), (1, unit)):
            payload = r.data_payload(3, offset, "8", bytes(size))
            (record,) = records_of(RecordReader().feed(writer.encode(kind, payload)))
            with pytest.raises(r.PayloadError, match=r"part of a (word|block)"):
                r.parse_message(record)


def test_a_host_that_does_not_know_line_code_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is new in a record type is counted by a host of before, and nothing else happens."""
    state = r.LineCodeStatus(2, r.LineCodeFlag.SEED_KNOWN, 0, 0x12345678, 0, 0, 0, 0, 0, 0, 0)
    writer = RecordWriter()
    line = writer.message(state) + writer.message(r.AskStatus())
    monkeypatch.setattr(stream, "_TYPES", stream._TYPES - {int(r.RecordType.LINE_CODE)})
    reader = RecordReader()
    damage, record = reader.feed(line)
    assert isinstance(damage, Damage) and damage.kind is DamageKind.TYPE
    assert isinstance(record, r.Record) and record.type == r.RecordType.ASK_STATUS
    assert reader.counters.records_lost == 0


@pytest.mark.parametrize("bits", [66, 99, 254])
def test_an_alignment_offset_beyond_a_block_is_refused(bits: int) -> None:
    status = r.Status(
        "8", 4, SyncState.HFNSYNC, r.Loopback.NONE, r.StatusFlag.NONE, 65, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, ""
    )
    kind, payload = r.pack_message(status)
    changed = payload[:6] + bytes([bits]) + payload[7:]
    with pytest.raises(r.PayloadError, match=f"alignment offset {bits} is not 0 to 65"):
        r.parse_message(r.Record(kind, 0, 0, 0, changed))


def test_a_long_name_is_cut() -> None:
    numbers, name = [0] * 10, "\u00b0" * 30_000
    status = r.Status("2", 2, SyncState.XACQ1, r.Loopback.NONE, r.StatusFlag.NONE, None, *numbers, name)
    kind, payload = r.pack_message(status)
    again = r.parse_message(r.Record(kind, 0, 0, 0, payload[:65_000]))
    assert isinstance(again, r.Status) and again.name == "\u00b0" * r.MAX_NAME


def test_the_first_hour_has_the_words_of_the_host() -> None:
    """What the page says to look at stands beside what the host really says."""
    table = PROTOCOL[PROTOCOL.index("## 9.") :]
    counters = stream.StreamCounters
    said = {
        "nothing received": counters(),
        "octets received, no record among them": counters(octets=30, bad_cobs=3),
        "not COBS": counters(octets=30, bad_cobs=3),
        "wrong CRC": counters(octets=30, bad_crc=3),
        "records of version": counters(octets=30, unknown_version=2, last_unknown_version=2),
        "none of them STATUS": counters(octets=30, records=3),
        "of text only": counters(octets=30, text_lines=2),
    }
    for words, seen in said.items():
        error = no_status("/dev/ttyUSB0", seen, line_fault="", unreadable={}, said="")
        assert words in str(error), error
        assert words in table, words
