"""Reading .ffcap: damage at every octet, cuts, unknown types, seeking."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from crccheck.crc import Crc32IsoHdlc

from monitor.errors import InputError
from monitor.formats.ffcap import (
    CaptureRecordType,
)
from monitor.formats.ffcap_reader import CaptureIndex, CaptureReader
from tests.support.ffcap_records import HEAD, RECORDS, contents, read, write


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
