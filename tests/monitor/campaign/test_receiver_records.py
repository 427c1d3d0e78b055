"""Plain records of a receiver: what each stands for, and what is refused."""

from __future__ import annotations

import json
from typing import Any

import pytest

from decoders.events import (
    Alarm,
    AlarmRaised,
    CodeErrors,
    Event,
    FrameReceived,
    FrameStatus,
    L1Changed,
    OctetsChanged,
    Origin,
    Plane,
    SettingRejected,
    SyncStateChanged,
    UnexpectedK,
)
from monitor.campaign.receiver_records import RecordError, events_of
from monitor.reports.decode_records import event_record

EVENTS: list[Event] = [
    SyncStateChanged(0, "XACQ1", "XACQ2"),
    AlarmRaised(3, Alarm.LOS, Origin.LOCAL),
    CodeErrors(None, 3, 2, 17),
    UnexpectedK(4, 2, 255, 15, 1, 0xFD),
    L1Changed(5, "alarms", 1, 6),
    SettingRejected(5, "pointer_p", 7),
    OctetsChanged(6, Plane.VENDOR, bytes((16, 3, 1, 17, 0, 0)), b"\0\1", b"\xa5\0"),
    FrameReceived(7, 4095, 149, Plane.HDLC, FrameStatus.FCS, b"\x01\x03", b"\xda\x79"),
    FrameReceived(7, 0, 0, Plane.ETHERNET, FrameStatus.TOO_LONG, b"\x01", b"\1\2\3\4", 99),
]


@pytest.mark.parametrize("event", EVENTS, ids=lambda e: type(e).__name__)
def test_an_event_is_its_record(event: Event) -> None:
    record = json.loads(json.dumps(event_record(event)))
    assert list(events_of(record)) == [event]


def test_lines_of_frames_and_vendor_are_records() -> None:
    frame = {"plane": "hdlc", "hyperframe": 1, "bfn": 0, "hfn": 1, "length": 4, "status": "good",
             "data": "0103", "fcs": "da79"}  # fmt: skip
    change = {"hyperframe": 60, "ns": 20, "xs": 1, "y": 0, "old": 0, "new": 165}
    assert list(events_of(frame)) == [
        FrameReceived(1, 0, 1, Plane.HDLC, FrameStatus.GOOD, b"\x01\x03", b"\xda\x79")
    ]
    assert list(events_of(change)) == [OctetsChanged(60, Plane.VENDOR, b"\x14\x01\0", b"\0", b"\xa5")]


@pytest.mark.parametrize(
    ("record", "says"),
    [
        ([1], "must be an object"),
        ({}, "no field event"),
        ({"event": "frame_recieved"}, "no event 'frame_recieved'"),
        ({"event": "hfn_invalid", "hyperframe": 1}, "no field 'value'"),
        ({"event": "hfn_invalid", "hyperframe": "1", "value": 1}, "Expected `int"),
        ({"event": "hfn_invalid", "hyperframe": -1, "value": 1}, "hyperframe must be a number"),
        ({"event": "alarm_raised", "hyperframe": 1, "alarm": "fire", "origin": "local"}, "fire"),
        ({"plane": "hdlc", "status": "good", "hyperframe": 1, "data": "0g"}, "octets in hex"),
        ({"plane": "hdlc", "status": "fine", "hyperframe": 1, "data": "00"}, "fine"),
        ({"plane": "hdlc", "status": "good", "hyperframe": True, "data": "00"}, "not True"),
        ({"hyperframe": 1, "ns": 20, "xs": 1, "y": 0, "old": 0, "new": 256}, "256"),
        ({"event": "counters", "counters": {"hdlc_frames": -1}}, "hdlc_frames must be"),
        ({"event": "serves", "serves": ["hdlc", "wifi"]}, "'wifi'"),
        ({"event": "serves", "serves": "hdlc"}, "list of names"),
        ({"event": "\x1b[31m\n"}, r"\x1b[31m\n"),
    ],
)
def test_a_record_that_is_not_as_documented(record: Any, says: str) -> None:
    with pytest.raises(RecordError) as caught:
        list(events_of(record))
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 250
