"""The .ffcap container: layout, round trip, damage at every octet, a kill, continuing.

Check sequence: crccheck's CRC-32 (ISO-HDLC) is the independent side.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from crccheck.crc import Crc32IsoHdlc
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import InputError, OutputError
from monitor.formats.ffcap import (
    HEADER,
    MAX_PAYLOAD,
    CaptureHeader,
    CaptureRecord,
    CaptureRecordFlag,
    CaptureRecordType,
    Clock,
)
from monitor.formats.ffcap_reader import CaptureIndex, CaptureReader
from monitor.formats.ffcap_writer import CaptureWriter

HEAD = CaptureHeader("2", "octets", True, False, Clock.BOARD, 1_700_000_000_000_000_123)
RECORDS = [
    (CaptureRecordType.NOTE, b"site Saltmarsh", 0),
    (CaptureRecordType.OCTETS, bytes(range(64)), 1_000),
    (CaptureRecordType.MARK, b"here", 66_667),
    (CaptureRecordType.OCTETS, b"", 66_700),
    (CaptureRecordType.FAULT, b'{"fault":"hdlc.fcs"}', 70_000),
    (CaptureRecordType.OCTETS, bytes(range(64, 100)), 133_333),
]


def write(path: Path, records: list[tuple[CaptureRecordType, bytes, int]] = RECORDS) -> bytes:
    with CaptureWriter(path, HEAD) as writer:
        for kind, payload, time_ns in records:
            writer.append(kind, payload, time_ns)
    return path.read_bytes()


def read(path: Path) -> tuple[list[CaptureRecord], CaptureReader]:
    with CaptureReader(path) as reader:
        return list(reader.records()), reader


def contents(records: list[CaptureRecord]) -> list[tuple[CaptureRecordType, bytes, int]]:
    return [(r.type, r.payload, r.time_ns) for r in records]


def test_layout_is_as_documented(tmp_path: Path) -> None:
    data = write(tmp_path / "a.ffcap", [(CaptureRecordType.OCTETS, b"\x01\x02\x03", 0x1122334455)])
    assert data[:8] == b"FFCAP\r\n\x1a"
    assert data[8:12] == b"\x01\x00\x28\x00"
    assert data[12:16] == b"2\0\0\0"
    assert data[16:24] == bytes([1, 0b01, 2, 0, 0, 0, 0, 0])
    assert int.from_bytes(data[24:32], "little") == HEAD.start_time_ns
    assert int.from_bytes(data[36:40], "little") == Crc32IsoHdlc.calc(data[:36])
    record = data[40:]
    assert record[:8] == b"\xa5ffR" + bytes([1, 0, 0, 0])
    assert record[8:24] == bytes([3, 0, 0, 0, 0, 0, 0, 0, 0x55, 0x44, 0x33, 0x22, 0x11, 0, 0, 0])
    assert int.from_bytes(record[24:28], "little") == Crc32IsoHdlc.calc(record[:24])
    assert record[28:31] == b"\x01\x02\x03"
    assert int.from_bytes(record[31:35], "little") == Crc32IsoHdlc.calc(record[:31])
    assert len(record) == 35
    assert HEADER.sizeof() == 40


def test_header_comes_back(tmp_path: Path) -> None:
    write(tmp_path / "a.ffcap")
    records, reader = read(tmp_path / "a.ffcap")
    assert reader.header == HEAD
    assert contents(records) == RECORDS
    assert [r.sequence for r in records] == list(range(6))
    assert reader.problems == []
    assert records[0].text == "site Saltmarsh"


@settings(max_examples=60, deadline=None)
@given(
    records=st.lists(
        st.tuples(st.sampled_from(CaptureRecordType), st.binary(max_size=200), st.integers(0, 2**64 - 1)),
        max_size=8,
    ),
    option=st.sampled_from(["", "1", "7A", "10"]),
    form=st.sampled_from(["octets", "flagged", "symbols", "bits"]),
    flags=st.sampled_from(CaptureRecordFlag),
)
def test_round_trip(
    tmp_path_factory: pytest.TempPathFactory,
    records: list[tuple[CaptureRecordType, bytes, int]],
    option: str,
    form: str,
    flags: CaptureRecordFlag,
) -> None:
    path = tmp_path_factory.mktemp("r") / "a.ffcap"
    words = (CaptureRecordType.FLAGGED, CaptureRecordType.SYMBOLS)
    records = [(k, p[: len(p) & ~1] if k in words else p, t) for k, p, t in records]
    with CaptureWriter(path, CaptureHeader(option, form)) as writer:
        for kind, payload, time_ns in records:
            writer.append(kind, payload, time_ns, flags)
    found, reader = read(path)
    assert contents(found) == records
    assert all(r.flags == flags for r in found)
    assert (reader.header.option, reader.header.form) == (option, form)
    assert not reader.problems
    assert reader.missing_records == 0


def test_cut_at_every_octet(tmp_path: Path) -> None:
    data = write(tmp_path / "a.ffcap")
    whole, _ = read(tmp_path / "a.ffcap")
    ends = [r.offset + 32 + len(r.payload) for r in whole]
    path = tmp_path / "cut.ffcap"
    for length in range(len(data)):
        path.write_bytes(data[:length])
        if length < 40:
            with pytest.raises(InputError) as error:
                read(path)
            assert "\n" not in str(error.value)
            continue
        records, reader = read(path)
        count = sum(end <= length for end in ends)
        assert contents(records) == RECORDS[:count], length
        torn = length - (ends[count - 1] if count else 40)
        assert [p.lost_octets for p in reader.problems] == ([torn] if torn else []), length
        if torn:
            assert str(reader.problems[0]).startswith("capture ends inside ")
            assert str(reader.problems[0]).endswith(f"at offset {length - torn}")


@pytest.mark.parametrize("flip", ["one", "all"])
def test_flip_at_every_octet(tmp_path: Path, flip: str) -> None:
    data = write(tmp_path / "a.ffcap")
    whole, _ = read(tmp_path / "a.ffcap")
    rng = random.Random(5)
    path = tmp_path / "bad.ffcap"
    for place in range(len(data)):
        bad = bytearray(data)
        bad[place] ^= 0xFF if flip == "all" else 1 << rng.randrange(8)
        path.write_bytes(bad)
        if place < 40:
            with pytest.raises(InputError) as error:
                read(path)
            assert error.value.where is not None
            continue
        records, reader = read(path)
        hit = max(i for i, r in enumerate(whole) if r.offset <= place)
        assert contents(records) == RECORDS[:hit] + RECORDS[hit + 1 :], place
        (problem,) = reader.problems
        assert problem.offset == whole[hit].offset
        assert problem.lost_octets == 32 + len(whole[hit].payload)
        assert reader.missing_records == (1 if hit < len(whole) - 1 else 0)


def test_random_damage_never_raises(tmp_path: Path) -> None:
    data = write(tmp_path / "a.ffcap", RECORDS * 5)
    rng = random.Random(11)
    path = tmp_path / "bad.ffcap"
    for _ in range(300):
        bad = bytearray(data)
        for _ in range(rng.randrange(1, 6)):
            at, size = rng.randrange(40, len(bad)), rng.randrange(60)
            what = rng.randrange(4)
            if what == 0:
                del bad[at : at + size]
            elif what == 1:
                bad[at:at] = rng.randbytes(size)
            elif what == 2:
                bad[at : at + size] = bytes(size)
            else:
                bad[at:at] = bad[at // 2 : at // 2 + size]
        path.write_bytes(bad)
        records, _ = read(path)
        assert {c[:2] for c in contents(records)} <= {c[:2] for c in RECORDS}
        index = CaptureIndex(path)
        assert {r.offset for r in records} <= {index[i].offset for i in range(len(index))}


def test_rubbish_between_and_a_lost_record(tmp_path: Path) -> None:
    data = write(tmp_path / "a.ffcap")
    whole, _ = read(tmp_path / "a.ffcap")
    at, after = whole[2].offset, whole[3].offset
    path = tmp_path / "b.ffcap"
    path.write_bytes(data[:at] + b"\xa5ffR rubbish" + data[at:])
    records, reader = read(path)
    assert contents(records) == RECORDS
    assert [(p.offset, p.lost_octets) for p in reader.problems] == [(at, 12)]
    path.write_bytes(data[:at] + data[after:])
    records, reader = read(path)
    assert reader.missing_records == 1
    assert "records missing: 1" in str(reader.problems[0])
    path.write_bytes(data + data[40:])
    _, reader = read(path)
    assert "runs back" in str(reader.problems[0])


def test_an_octet_too_many_or_too_few_loses_one_record(tmp_path: Path) -> None:
    data = write(tmp_path / "a.ffcap")
    whole, _ = read(tmp_path / "a.ffcap")
    inside = whole[1].offset + 40
    path = tmp_path / "b.ffcap"
    for bad in (data[:inside] + b"?" + data[inside:], data[:inside] + data[inside + 1 :]):
        path.write_bytes(bad)
        records, reader = read(path)
        assert contents(records) == RECORDS[:1] + RECORDS[2:]
        assert len(reader.problems) == 1
        assert len(CaptureIndex(path)) == 5


def test_a_marker_across_two_reads_is_found(tmp_path: Path) -> None:
    data = write(tmp_path / "a.ffcap")
    path = tmp_path / "b.ffcap"
    for short in range(0, 8):
        rubbish = bytes((1 << 20) - 40 - short)
        path.write_bytes(data[:40] + rubbish + data[40:])
        records, reader = read(path)
        assert contents(records) == RECORDS
        assert [p.lost_octets for p in reader.problems] == [len(rubbish)]
        assert len(CaptureIndex(path)) == len(RECORDS)


def test_unknown_types_are_skipped_and_counted(tmp_path: Path) -> None:
    data = bytearray(write(tmp_path / "a.ffcap", [(CaptureRecordType.NOTE, b"abc", 5)] * 2))
    data[44] = 99
    data[64:68] = Crc32IsoHdlc.calc(data[40:64]).to_bytes(4, "little")
    data[71:75] = Crc32IsoHdlc.calc(data[40:71]).to_bytes(4, "little")
    (tmp_path / "a.ffcap").write_bytes(data)
    records, reader = read(tmp_path / "a.ffcap")
    assert [r.sequence for r in records] == [1]
    assert (reader.unknown_records, reader.problems) == (1, [])


def test_a_longer_header_of_this_version_is_read(tmp_path: Path) -> None:
    data = write(tmp_path / "a.ffcap")
    header = bytearray(data[:36] + b"more to come")
    header[10] = len(header) + 4
    header += Crc32IsoHdlc.calc(header).to_bytes(4, "little")
    (tmp_path / "a.ffcap").write_bytes(header + data[40:])
    records, reader = read(tmp_path / "a.ffcap")
    assert contents(records) == RECORDS
    assert reader.header == HEAD
    header[8] = 2
    header[-4:] = Crc32IsoHdlc.calc(header[:-4]).to_bytes(4, "little")
    (tmp_path / "a.ffcap").write_bytes(header + data[40:])
    with pytest.raises(InputError, match="version 2"):
        read(tmp_path / "a.ffcap")


def test_every_record_is_in_the_file_at_once(tmp_path: Path) -> None:
    path = tmp_path / "a.ffcap"
    writer = CaptureWriter(path, HEAD)
    for i, (kind, payload, time_ns) in enumerate(RECORDS):
        writer.append(kind, payload, time_ns)
        assert contents(read(path)[0]) == RECORDS[: i + 1]
    writer.close()


def test_continue_cuts_a_torn_record(tmp_path: Path) -> None:
    data = write(tmp_path / "a.ffcap")
    whole, _ = read(tmp_path / "a.ffcap")
    path = tmp_path / "b.ffcap"
    for length in range(whole[4].offset, len(data)):
        path.write_bytes(data[:length])
        count = sum(r.offset + 32 + len(r.payload) <= length for r in whole)
        with CaptureWriter(path, HEAD, append=True) as writer:
            assert writer.sequence == count
            writer.append(CaptureRecordType.NOTE, b"on again", 7)
        records, reader = read(path)
        assert contents(records) == [*RECORDS[:count], (CaptureRecordType.NOTE, b"on again", 7)]
        assert (reader.problems, reader.missing_records) == ([], 0)


def test_continue_keeps_damage_and_cuts_zeros(tmp_path: Path) -> None:
    data = write(tmp_path / "a.ffcap")
    path = tmp_path / "b.ffcap"
    for tail, problems in ((bytes(5000), 0), (b"what is this" * 9, 1)):
        path.write_bytes(data + tail)
        with CaptureWriter(path, HEAD, append=True) as writer:
            writer.append(CaptureRecordType.NOTE, b"on again", 7)
        records, reader = read(path)
        assert contents(records) == [*RECORDS, (CaptureRecordType.NOTE, b"on again", 7)]
        assert len(reader.problems) == problems


def test_continue_refuses_another_link_or_file(tmp_path: Path) -> None:
    path = tmp_path / "a.ffcap"
    data = write(path)
    with pytest.raises(InputError, match="option 2, not octets of option 3"):
        CaptureWriter(path, CaptureHeader("3", "octets"), append=True)
    path.write_bytes(b"not ours at all, keep it" * 9)
    with pytest.raises(InputError, match="magic"):
        CaptureWriter(path, HEAD, append=True)
    assert path.read_bytes() == b"not ours at all, keep it" * 9
    path.write_bytes(b"")
    with CaptureWriter(path, HEAD, append=True):
        pass
    assert path.read_bytes() == data[:40]


def test_fsync_by_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0.0]
    synced = []
    with CaptureWriter(tmp_path / "a.ffcap", HEAD, fsync_s=1.0, clock=lambda: now[0]) as writer:
        monkeypatch.setattr("os.fsync", lambda fd: synced.append(now[0]))
        for i in range(40):
            now[0] = i / 10
            writer.append(CaptureRecordType.MARK, b"", 0)
    assert synced == [1.0, 2.0, 3.0, 3.9]


def test_a_full_disk_leaves_a_whole_capture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import os

    path = tmp_path / "a.ffcap"
    write_there = os.write
    room = [600]

    def write_some(fd: int, data: memoryview) -> int:
        if not room[0]:
            raise OSError(28, "No space left on device")
        done = write_there(fd, data[: room[0]])
        room[0] -= done
        return done

    with CaptureWriter(path, HEAD) as writer:
        monkeypatch.setattr("os.write", write_some)
        with pytest.raises(OutputError, match="No space left"):
            for _ in range(20):
                writer.append(CaptureRecordType.OCTETS, bytes(100), 0)
        room[0] = 10_000
        writer.append(CaptureRecordType.NOTE, b"room again", 1)
    records, reader = read(path)
    assert [len(r.payload) for r in records] == [100] * 4 + [10]
    assert (reader.problems, reader.missing_records) == ([], 0)


def test_writer_mistakes(tmp_path: Path) -> None:
    with CaptureWriter(tmp_path / "a.ffcap", HEAD) as writer:
        with pytest.raises(ValueError, match="16-bit"):
            writer.append(CaptureRecordType.SYMBOLS, b"abc", 0)
        with pytest.raises(ValueError, match="longer"):
            writer.append(CaptureRecordType.NOTE, bytes(MAX_PAYLOAD + 1), 0)
        with pytest.raises(ValueError, match="time"):
            writer.append(CaptureRecordType.NOTE, b"", -1)
        writer.append(CaptureRecordType.OCTETS, bytes(MAX_PAYLOAD + 5), 9, CaptureRecordFlag.GAP_BEFORE)
    records, _ = read(tmp_path / "a.ffcap")
    assert [(len(r.payload), r.flags) for r in records] == [(MAX_PAYLOAD, 1), (5, 0)]
    with pytest.raises(ValueError, match="form"):
        CaptureHeader("2", "hex").pack()
    with pytest.raises(OutputError):
        CaptureWriter(tmp_path / "none" / "a.ffcap", HEAD)
    with pytest.raises(InputError, match="No such file"):
        CaptureReader(tmp_path / "b.ffcap")


def test_index_and_seek(tmp_path: Path) -> None:
    path = tmp_path / "a.ffcap"
    write(path, [(CaptureRecordType.OCTETS, bytes([i]) * i, 1000 * i) for i in range(200)])
    index = CaptureIndex(path)
    records, _ = read(path)
    assert [index[i].offset for i in range(len(index))] == [r.offset for r in records]
    number = index.at_time(50_500)
    assert index[number].sequence == 50
    assert index.at_time(0) == 0
    with CaptureReader(path) as reader:
        next(reader.records())
        reader.seek(index[number].offset)
        assert [r.sequence for r in reader.records()] == list(range(50, 200))
        assert reader.problems == []
