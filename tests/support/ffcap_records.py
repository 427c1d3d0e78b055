"""A small .ffcap capture, written and read back."""

from __future__ import annotations

from pathlib import Path

from monitor.formats.ffcap import (
    CaptureHeader,
    CaptureRecord,
    CaptureRecordType,
    Clock,
)
from monitor.formats.ffcap_reader import CaptureReader
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
