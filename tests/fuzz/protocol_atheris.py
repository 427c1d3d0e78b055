"""Coverage-guided fuzzing of the record reader, by hand: pip install atheris, then
python tests/fuzz/protocol_atheris.py -max_total_time=60

The first octet says how the rest is cut; both readers must say the same and raise nothing.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parents[2]))
with atheris.instrument_imports(include=["monitor.protocol"]):
    from monitor.protocol import records as r
    from monitor.protocol.stream import RecordReader, RecordWriter


def one(data: bytes) -> None:
    step, line = data[0] + 1 if data else 1, data[1:]
    whole, cut = RecordReader(4096), RecordReader(4096)
    items = whole.feed(line)
    again = []
    for at in range(0, len(line), step):
        again += cut.feed(line[at : at + step])
    if len(line) < 4096:
        assert [i for i in items if isinstance(i, r.Record)] == [i for i in again if isinstance(i, r.Record)]
    for item in items:
        if isinstance(item, r.Record):
            _read(item)
    # The check sequence keeps the fuzzer out, so its octets go in as payloads as well.
    if len(line) > 1:
        (record,) = (
            i
            for i in RecordReader().feed(RecordWriter().encode(line[0], line[1:]))
            if isinstance(i, r.Record) or i.kind == "unknown type"
        )
        if isinstance(record, r.Record):
            _read(record)


def _read(record: r.Record) -> None:
    try:
        message = r.parse_message(record)
    except r.PayloadError:
        return
    try:
        kind, payload = r.pack_message(message)
    except r.PayloadError:
        return  # a text that was not UTF-8 may have grown beyond the limit
    again = r.parse_message(r.Record(kind, record.flags, record.sequence, record.time_ns, payload))
    assert again == message


if __name__ == "__main__":
    atheris.Setup(sys.argv, one)
    atheris.Fuzz()
