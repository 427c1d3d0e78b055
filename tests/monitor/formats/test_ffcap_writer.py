"""Writing .ffcap: each record is in the file at once, a torn capture is continued, a full disk leaves a whole one."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import InputError, OutputError
from monitor.formats.ffcap import (
    MAX_PAYLOAD,
    CaptureHeader,
    CaptureRecordFlag,
    CaptureRecordType,
)
from monitor.formats.ffcap_reader import CaptureReader
from monitor.formats.ffcap_writer import CaptureWriter
from tests.support.ffcap_records import HEAD, RECORDS, contents, read, write


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
