"""The record protocol: layouts, framing, damage, text in between, and the examples of PROTOCOL.md."""

from __future__ import annotations

import random
import re
import struct
import zlib
from pathlib import Path

import pytest
from cobs import cobs
from crccheck.crc import Crc32
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.linerates import OPTIONS
from decoders.link.hyperframe_sync import SyncState
from monitor.protocol import records as r
from monitor.protocol.stream import Damage, DamageKind, Received, RecordReader, RecordWriter, TextLine

PROTOCOL = (Path(r.__file__).parent / "PROTOCOL.md").read_text("utf-8")
u8, u16, u32, u64 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32, 64))
options = st.sampled_from([None, *OPTIONS])
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=60)
words = st.binary(max_size=600).map(lambda b: b[: len(b) & ~1])

MESSAGES = st.one_of(
    st.builds(r.LineData, u64, u32, options, st.binary(max_size=1200), st.just(r.RecordType.OCTETS)),
    st.builds(
        r.LineData,
        u64,
        u32.map(lambda n: n & ~1),
        options,
        words,
        st.sampled_from([r.RecordType.FLAGGED, r.RecordType.CONTROL]),
    ),
    st.builds(
        r.LineData,
        u64,
        u32.map(lambda n: n - n % 9),
        options,
        words.map(lambda b: b[: len(b) - len(b) % 9]),
        st.just(r.RecordType.BLOCKS),
    ),
    st.builds(
        r.LineCodeStatus,
        u8,
        st.integers(0, 7).map(r.LineCodeFlag),
        u16,
        *[u32] * 8,
    ),
    st.builds(
        r.Status,
        options,
        st.integers(0, 4),
        st.sampled_from(SyncState),
        st.sampled_from(r.Loopback),
        st.integers(0, 127).map(r.StatusFlag),
        st.none() | st.integers(0, 65),
        u32,
        u32,
        u64,
        *[u32] * 7,
        texts,
    ),
    st.builds(r.BoardEvent, st.sampled_from(r.EventCode), u32, u64),
    st.builds(r.LogText, texts),
    st.builds(r.Acknowledge, u32, u8, u64, texts),
    st.builds(r.Refuse, u32, u8, st.sampled_from(r.Reason), texts),
    st.just(r.AskStatus()),
    st.builds(r.SetLoopback, st.sampled_from(r.Loopback)),
    st.builds(r.ResetTransceiver, st.integers(1, 3).map(r.Transceiver)),
    st.builds(r.SetTraffic, st.sampled_from(r.TrafficPlane), st.integers(0, 100)),
    st.builds(r.InjectFault, texts),
    st.builds(r.SelectData, st.integers(0, 4)),
)


def records_of(items: list[Received]) -> list[r.Record]:
    return [item for item in items if isinstance(item, r.Record)]


def some_records(rng: random.Random, count: int, longest: int = 400) -> tuple[RecordWriter, list[bytes]]:
    writer = RecordWriter()
    kinds = list(r.RecordType)
    sent = [
        writer.encode(
            rng.choice(kinds),
            bytes(rng.choices((0, 1, 0xFF, rng.randrange(256)), k=rng.randrange(longest))),
            time_ns=rng.getrandbits(64),
        )
        for _ in range(count)
    ]
    return writer, sent


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


def test_crc_is_the_one_of_ieee_802_3() -> None:
    # Check value of CRC-32 over "123456789" (IEEE 802.3 polynomial); crccheck computes it on its own.
    assert zlib.crc32(b"123456789") == 0xCBF43926 == Crc32.calc(b"123456789")
    line = RecordWriter(9).message(r.LogText("hello"), time_ns=5)
    body = cobs.decode(line[1:-1])
    assert int.from_bytes(body[-4:], "little") == Crc32.calc(body[:-4])


def test_cobs_examples_of_the_paper() -> None:
    # Cheshire and Baker 1999, and the longest pieces: 254 octets without a zero, then 255.
    for data, coded in (
        ("00", "0101"),
        ("11220033", "0311220233"),
        ("11000000", "0211010101"),
    ):
        assert cobs.encode(bytes.fromhex(data)) == bytes.fromhex(coded)
    full = bytes(range(1, 255))
    assert cobs.encode(full) == b"\xff" + full
    assert cobs.encode(full + b"\xff") == b"\xff" + full + b"\x02\xff"


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


# ---------------------------------------------------------------- damage


def test_any_cut_gives_the_same() -> None:
    rng = random.Random(1)
    _, sent = some_records(rng, 60)
    sent[7] = sent[7][:-5] + b"\x07\x07\x00"
    sent[20] = b"\0console says\r\n" + sent[20]
    line = b"noise \x02\xff" + b"".join(sent)
    whole = RecordReader().feed(line)
    for step in (1, 2, 3, 7, 100, 4096):
        reader = RecordReader()
        items: list[Received] = []
        for i in range(0, len(line), step):
            items += reader.feed(line[i : i + step])
        assert items == whole
    assert len(records_of(whole)) == 59


@pytest.mark.parametrize(
    ("piece", "kind"),
    [
        (b"\x09\x01\x02", DamageKind.COBS),
        (cobs.encode(b"\x01\x40short"), DamageKind.TOO_SHORT),
        (cobs.encode(bytes(30)), DamageKind.CRC),
        (b"\x05" * 70_000, DamageKind.TOO_LONG),
    ],
)
def test_a_bad_piece_is_counted_and_the_next_record_comes(piece: bytes, kind: DamageKind) -> None:
    writer, reader = RecordWriter(), RecordReader()
    before = reader.feed(writer.message(r.AskStatus()))
    items = reader.feed(b"\0" + piece + b"\0")
    looked_at = min(len(piece), r.MAX_PAYLOAD + 20 + (r.MAX_PAYLOAD + 20) // 254 + 1)
    assert items == [Damage(kind, len(cobs.encode(bytes(20))) + 3, looked_at)]
    after = reader.feed(writer.message(r.AskStatus()))
    assert [len(records_of(x)) for x in (before, items, after)] == [1, 0, 1]
    assert (reader.counters.bad_records, reader.counters.records, reader.counters.records_lost) == (1, 2, 0)


def with_octet(line: bytes, index: int, value: int) -> bytes:
    body = bytearray(cobs.decode(line[1:-1])[:-4])
    body[index] = value
    return b"\0" + cobs.encode(bytes(body) + zlib.crc32(body).to_bytes(4, "little")) + b"\0"


def test_unknown_version_and_type_are_counted() -> None:
    reader = RecordReader()
    line = RecordWriter().message(r.AskStatus())
    assert [i.kind for i in reader.feed(with_octet(line, 0, 2)) if isinstance(i, Damage)] == [
        DamageKind.VERSION
    ]
    assert [i.kind for i in reader.feed(with_octet(line, 1, 0x7E)) if isinstance(i, Damage)] == [
        DamageKind.TYPE
    ]
    assert (reader.counters.unknown_version, reader.counters.unknown_type) == (1, 1)
    assert reader.counters.records == 0


def test_lost_records_are_counted_over_the_wrap() -> None:
    writer, reader = RecordWriter(2**32 - 3), RecordReader()
    sent = [writer.message(r.LogText(str(i))) for i in range(10)]
    items = reader.feed(b"".join(sent[i] for i in (0, 1, 4, 5, 9)))
    assert [(i.kind, i.count) for i in items if isinstance(i, Damage)] == [
        (DamageKind.LOST, 2),
        (DamageKind.LOST, 3),
    ]
    assert reader.counters.records_lost == 5


def test_a_restarted_sender_is_no_loss_and_a_step_back_is_said() -> None:
    reader = RecordReader()
    reader.feed(RecordWriter(500).message(r.AskStatus()))
    assert len(reader.feed(RecordWriter(0).message(r.AskStatus(), flags=r.RecordFlag.FIRST))) == 1
    reader.feed(RecordWriter(1).message(r.AskStatus()))
    damage, record = reader.feed(RecordWriter(0).message(r.AskStatus()))
    assert damage == Damage(DamageKind.STEP_BACK, damage.at, 2)  # type: ignore[union-attr]
    assert isinstance(record, r.Record)
    assert (reader.counters.records_lost, reader.counters.steps_back) == (0, 1)


def test_an_endless_piece_takes_no_memory() -> None:
    reader = RecordReader()
    rng = random.Random(3)
    noise = bytes(rng.randrange(1, 256) for _ in range(5000))
    for _ in range(2000):
        reader.feed(noise)
        assert reader.held_octets <= 2 * r.MAX_PAYLOAD
    assert reader.counters.too_long == 1
    assert len(records_of(reader.feed(b"\0" + RecordWriter().message(r.AskStatus())))) == 1


def test_longest_record_passes_and_one_more_does_not() -> None:
    reader = RecordReader()
    for size, good in ((r.MAX_PAYLOAD, True), (r.MAX_PAYLOAD + 1, False)):
        for fill in (b"\0", b"\xa5"):
            items = reader.feed(RecordWriter().encode(1, fill * size, flags=1))
            assert bool(records_of(items)) is good, (size, fill)
    assert reader.counters.too_long == 2
    with pytest.raises(r.PayloadError, match="at most 65536"):
        r.data_payload(0, 0, "2", bytes(r.MAX_DATA + 1))
    with pytest.raises(r.PayloadError, match="at most 256"):
        r.pack_message(r.InjectFault("x" * 257))


# ---------------------------------------------------------------- text


def test_console_text_around_records_becomes_lines() -> None:
    writer, reader = RecordWriter(), RecordReader()
    a, b = (writer.message(r.LogText(t)) for t in "ab")
    items = reader.feed(b"boot 1\r\nclock ok\r\n" + a + b"\x1b[31mred\x1b[0m\n" + b[1:] + b"tail\n")
    assert [i.text if isinstance(i, TextLine) else r.parse_message(i) for i in items] == [  # type: ignore[arg-type]
        "boot 1",
        "clock ok",
        r.LogText("a"),
        r"\x1b[31mred\x1b[0m",
        r.LogText("b"),
        "tail",
    ]
    assert reader.counters.bad_records == 0


def test_text_without_any_delimiter_comes_line_by_line() -> None:
    reader = RecordReader()
    assert reader.feed(b"one\ntw") == [TextLine("one")]
    assert reader.feed(b"o") == []
    assert reader.feed(b"\nthree\n") == [TextLine("two"), TextLine("three")]
    assert reader.held_octets == 0
    assert reader.feed("größe\n".encode()) == [TextLine("größe")]


@settings(max_examples=1500, deadline=None)
@given(st.lists(st.sampled_from(b"a\n\x01\x02\x80\x03\xc3\xa9\0"), max_size=14).map(bytes))
def test_text_and_noise_give_the_same_octet_by_octet(line: bytes) -> None:
    line += b"\0"
    reader = RecordReader()
    one_by_one = [item for i in range(len(line)) for item in reader.feed(line[i : i + 1])]
    assert one_by_one == RecordReader().feed(line)


def test_a_record_whose_first_octet_on_the_line_is_a_newline() -> None:
    line = RecordWriter(0x01010101).encode(0x12, b"x", flags=0x0101, time_ns=1)
    assert line[1] == ord("\n")
    reader = RecordReader()
    items = [item for i in range(len(line)) for item in reader.feed(line[i : i + 1])]
    assert len(records_of(items)) == 1 and reader.counters.text_lines == 0


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=200))
def test_no_text_carries_control_characters_on(text: str) -> None:
    items = RecordReader().feed(text.encode("utf-8", "replace") + b"\n\0")
    for item in items:
        if isinstance(item, TextLine):
            assert all(c.isprintable() or c == "\t" for c in item.text)


@settings(max_examples=300, deadline=None)
@given(MESSAGES, st.integers(0, 400))
def test_a_record_cut_short_is_never_text(message: r.Message, keep: int) -> None:
    line = RecordWriter().message(message)
    items = RecordReader().feed(line[: min(keep, len(line) - 2)] + b"\0")
    assert not any(isinstance(i, r.Record | TextLine) for i in items)


# ---------------------------------------------------------------- many


def mutate(rng: random.Random, line: bytes) -> bytes:
    """One to three changes of a framed record: an octet, a bit, cut out, doubled, inserted, or swapped."""
    octets = bytearray(line)
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(octets)) if octets else 0
        what = rng.randrange(6)
        if not octets or what == 0:
            octets.insert(at, rng.randrange(256))
        elif what == 1:
            octets[at] = rng.randrange(256)
        elif what == 2:
            octets[at] ^= 1 << rng.randrange(8)
        elif what == 3:
            del octets[at : at + rng.randrange(1, 20)]
        elif what == 4:
            octets[at:at] = octets[at : at + rng.randrange(1, 20)]
        else:
            octets = octets[at:] + octets[:at]
    return bytes(octets)


def test_a_hundred_thousand_records_good_and_damaged() -> None:
    """Of 100,000 records every second one is damaged or noise: each good one comes once and in order."""
    rng = random.Random(7)
    reader = RecordReader()
    good: list[int] = []
    came: list[int] = []
    kinds = list(r.RecordType)
    messages = 0
    for start in range(0, 100_000, 1000):
        writer = RecordWriter(start)
        line = bytearray()
        for number in range(start, start + 1000):
            payload = rng.randbytes(rng.randrange(60))
            sent = writer.encode(rng.choice(kinds), payload, time_ns=number)
            if number % 2:
                # Noise of its own, never a part of the good records beside it.
                line += (
                    b"\0" + (rng.randbytes(rng.randrange(80)) if number % 3 else mutate(rng, sent)) + b"\0"
                )
            else:
                good.append(number)
                line += sent
        for item in reader.feed(bytes(line)):
            if isinstance(item, r.Record):
                came.append(item.time_ns)
                try:
                    r.parse_message(item)
                    messages += 1
                except r.PayloadError:
                    pass
    assert set(came) >= set(good)
    # A mutation may leave a record as it was (a doubled delimiter), so a damaged one may still come, in its place.
    assert came == sorted(set(came))
    assert len(came) - len(good) < 5000
    assert reader.counters.records == len(came)
    assert messages > 19_000
    assert reader.counters.bad_crc > 1000 and reader.counters.bad_cobs > 1000


def test_good_records_between_damaged_ones_all_come() -> None:
    rng = random.Random(11)
    reader = RecordReader()
    writer, sent = some_records(rng, 4000, 80)
    for i in range(1, len(sent), 2):
        sent[i] = b"\0" + mutate(rng, sent[i]) + b"\0"
    came = {item.sequence for item in reader.feed(b"".join(sent)) if isinstance(item, r.Record)}
    assert came >= set(range(0, 4000, 2))
    assert reader.counters.records + reader.counters.records_lost in (3999, 4000)
    assert writer.sequence == 4000


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
    from monitor.protocol import stream

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
