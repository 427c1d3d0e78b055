"""Why no status received, in one line."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.errors import InputError
from monitor.protocol import records as r
from tests.support.said_boards import channel, raw, records

NO_STATUS: dict[str, tuple[Callable[[], bytes], str]] = {
    "nothing": (
        lambda: b"",
        "no status received: nothing received; is it the right device, and is the board on?",
    ),
    "version": (
        lambda: 3 * raw(0x10, b"", version=2),
        "no status received: 12 records of version 2; this program reads version 1",
    ),
    "crc": (
        lambda: 10 * raw(0x10, b"", spoil=1),
        "no status received: wrong CRC 40 times; check the CRC-32 of the board and --baud",
    ),
    "option": (
        lambda: raw(0x10, bytes([99]) + bytes(59)),
        "no status received: Status: option code 99 does not exist (4 records); check what the board sends",
    ),
    "text": (
        lambda: b"U-Boot 1.0\r\nlogin:\x1b[0m \r\n",
        r"no status received: 8 lines of text only, the last: login:\x1b[0m ; is it the console of the board?",
    ),
    "other records": (
        lambda: records(r.BoardEvent(r.EventCode.LOS_RAISED, 0, 5)),
        "no status received; text of the board: los raised at hyperframe 5",
    ),
    "line data": (
        lambda: raw(0x01, r.data_payload(0, 0, "2", bytes(100))),
        "no status received: 4 records, none of them STATUS",
    ),
    "unknown type": (lambda: raw(0x3F, b""), "no status received: 4 records of unknown type only"),
    "noise": (
        lambda: b"\x00\xff\x81\x82\x00\x05\x01",
        "no status received: 28 octets received, no record among them (not COBS 7 times); check --baud;"
        " for a board that sends raw line data give --form",
    ),
}


@pytest.mark.parametrize("what", NO_STATUS)
def test_why_no_status_came_is_said_in_one_line(what: str) -> None:
    answer, said = NO_STATUS[what]
    with pytest.raises(InputError) as told:
        channel(answer()).ask_status(any_will_do=True)
    assert str(told.value).startswith(f"test line: {said}"[:-1])
