"""The .ffcap container: its layout, and a round trip of headers and records.

Check sequence: crccheck's CRC-32 (ISO-HDLC) is the independent side.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from crccheck.crc import Crc32IsoHdlc
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.formats.ffcap import (
    HEADER,
    CaptureHeader,
    CaptureRecordFlag,
    CaptureRecordType,
)
from monitor.formats.ffcap_writer import CaptureWriter
from tests.support.ffcap_records import HEAD, RECORDS, contents, read, write


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
