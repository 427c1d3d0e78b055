"""Records on the line: framing, check sequence, damage, sequence numbers, and text in between."""

from __future__ import annotations

import random
import zlib

import pytest
from cobs import cobs
from crccheck.crc import Crc32
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.protocol import records as r
from monitor.protocol.stream import Damage, DamageKind, Received, RecordReader, RecordWriter, TextLine
from tests.support.records import MESSAGES, mutate, records_of, some_records


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
    assert messages > 18_000
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
