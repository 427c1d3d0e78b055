"""Results as tables: CSV (RFC 4180), JSON Lines, and Parquet where pyarrow is installed.

The columns of a table are fixed; JSON Lines of `events` keep each event's own fields instead. Nothing here decodes.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Mapping
from enum import StrEnum
from typing import Any, BinaryIO, Protocol

from decoders.counters import COUNTERS
from decoders.events import (
    AlarmCleared,
    AlarmRaised,
    Event,
    FrameReceived,
    L1Accepted,
    L1Changed,
    OctetsChanged,
    ResetRequested,
    SettingRejected,
    StartupStateChanged,
)

from ..errors import InputError
from ..reports.decode_records import event_record, frame_record, vendor_records
from ..text import json_lines, json_text

__all__ = ["COLUMNS", "CsvRows", "JsonRows", "ParquetRows", "RowWriter", "Table", "counter_rows", "rows_of"]

Row = Mapping[str, Any]
PARQUET_ROWS = 20_000


class Table(StrEnum):
    FRAMES = "frames"
    VENDOR = "vendor"
    COUNTERS = "counters"
    L1 = "l1"
    EVENTS = "events"


COLUMNS: Mapping[Table, Mapping[str, type]] = {
    Table.FRAMES: {
        "plane": str, "hyperframe": int, "bfn": int, "hfn": int, "length": int, "status": str,
        "data": str, "fcs": str,
    },
    Table.VENDOR: {"hyperframe": int, "ns": int, "xs": int, "y": int, "old": int, "new": int},
    Table.COUNTERS: {"counter": str, "value": int},
    Table.L1: {"hyperframe": int, "event": str, "field": str, "old": str, "new": str},
    Table.EVENTS: {"hyperframe": int, "event": str, "details": str},
}  # fmt: skip
"""Column names and types of each table, in order; `details` is a JSON object, octets are hex."""


def _frames(event: Event) -> Iterator[Row]:
    if isinstance(event, FrameReceived):
        yield frame_record(event)


def _vendor(event: Event) -> Iterator[Row]:
    if isinstance(event, OctetsChanged):
        yield from vendor_records(event)


def _l1(event: Event) -> Iterator[Row]:
    """Everything of the L1 inband protocol and the alarms, values as text."""
    row: dict[str, Any] = {"field": None, "old": None, "new": None}
    match event:
        case L1Changed() | L1Accepted():
            row |= {"field": event.field, "old": str(event.old), "new": str(event.new)}
        case SettingRejected():
            row |= {"field": event.field, "new": str(event.value)}
        case StartupStateChanged():
            row |= {"old": event.old, "new": event.new}
        case AlarmRaised() | AlarmCleared():
            row |= {"field": f"{event.origin.value} {event.alarm.value}"}
        case ResetRequested():
            pass
        case _:
            return
    record = event_record(event)
    yield {"hyperframe": record["hyperframe"], "event": record["event"], **row}


def _events(event: Event) -> Iterator[Row]:
    record = event_record(event)
    details = {key: value for key, value in record.items() if key not in ("event", "hyperframe")}
    yield {
        "hyperframe": record["hyperframe"],
        "event": record["event"],
        "details": json_text(details),
    }


_ROWS: Mapping[Table, Callable[[Event], Iterator[Row]]] = {
    Table.FRAMES: _frames,
    Table.VENDOR: _vendor,
    Table.L1: _l1,
    Table.EVENTS: _events,
}


def rows_of(table: Table, events: Iterable[Event], *, whole_events: bool = False) -> Iterator[Row]:
    """Rows of a table that these events give; none for `counters`, whose rows come at the end.

    `whole_events` leaves the rows of `events` as they are, instead of folding their fields into `details`.
    """
    if table is Table.EVENTS and whole_events:
        return (event_record(event) for event in events)
    rows = _ROWS.get(table)
    if rows is None:
        return iter(())
    return (row for event in events for row in rows(event))


def counter_rows(counters: Mapping[str, int]) -> Iterator[Row]:
    """The final value of each counter, in the order of reports."""
    return ({"counter": name, "value": counters[name]} for name in COUNTERS)


class RowWriter(Protocol):
    """Takes rows in any number of pieces; `rows` counts them."""

    rows: int

    def write(self, rows: Iterable[Row]) -> None: ...
    def close(self) -> None: ...


class CsvRows:
    """CSV with a header line and CRLF line ends."""

    def __init__(self, stream: BinaryIO, columns: Mapping[str, type]) -> None:
        self.rows = 0
        self._text = io.TextIOWrapper(stream, encoding="utf-8", newline="")
        self._csv = csv.DictWriter(self._text, list(columns), extrasaction="ignore")
        self._csv.writeheader()

    def write(self, rows: Iterable[Row]) -> None:
        for row in rows:
            self._csv.writerow(row)
            self.rows += 1

    def close(self) -> None:
        self._text.detach()


class JsonRows:
    """One JSON object a line."""

    def __init__(self, stream: BinaryIO) -> None:
        self.rows = 0
        self._stream = stream

    def write(self, rows: Iterable[Row]) -> None:
        for row in rows:
            self._stream.write(json_lines([row]))
            self.rows += 1

    def close(self) -> None:
        """Nothing is held back."""


class ParquetRows:
    """Parquet in row groups; InputError where pyarrow is not installed."""

    def __init__(self, stream: BinaryIO, columns: Mapping[str, type]) -> None:
        try:
            import pyarrow
            import pyarrow.parquet
        except ImportError:
            raise InputError(
                ".parquet needs pyarrow, which is not installed",
                hint="pip install 'framefray[tables]', or choose .csv or .jsonl",
            ) from None
        types = {str: pyarrow.string(), int: pyarrow.int64()}
        self.rows = 0
        self._arrow = pyarrow
        self._schema = pyarrow.schema([(name, types[kind]) for name, kind in columns.items()])
        self._file = pyarrow.parquet.ParquetWriter(stream, self._schema)
        self._held: list[Row] = []

    def write(self, rows: Iterable[Row]) -> None:
        for row in rows:
            self._held.append(row)
            self.rows += 1
            if len(self._held) >= PARQUET_ROWS:
                self._flush()

    def close(self) -> None:
        self._flush()
        self._file.close()

    def _flush(self) -> None:
        if self._held:
            self._file.write_table(self._arrow.Table.from_pylist(self._held, self._schema))
            self._held = []
