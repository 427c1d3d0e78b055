"""The small protocol of a receiver under test, and what stands behind it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from decoders.counters import COUNTERS
from decoders.events import (
    Event,
    FrameReceived,
    Plane,
)
from decoders.line_coding.characters import LineForm
from decoders.link.settings import LinkSettings
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.receiver_records import IqReceived, StatusTold
from monitor.campaign.receivers import (
    EVERY_PLANE,
    OWN_DECODER,
    SECOND_RECEIVER,
    PythonReceiver,
    Receiver,
    ReceiverUnderTest,
    receiver_named,
)
from monitor.campaign.transmission import Transmission, transmit
from monitor.errors import InputError
from monitor.faults.catalogue import parse_fault


def sent(*faults: str, option: str = "2", length: int = 40, crafted: LineForm | None = None) -> Transmission:
    conditions = LinkConditions(
        option=option, seed=5, crafted=crafted is not None, form=crafted or LineForm.BITS
    )
    return transmit(conditions, [parse_fault(text) for text in faults], length)


def received(
    under_test: ReceiverUnderTest, data: Transmission, option: str = "2"
) -> tuple[Receiver, list[Event]]:
    receiver = under_test(LinkSettings(option, data.form))
    events = [event for chunk in data.chunks for event in receiver.receive(chunk)]
    return receiver, events + list(receiver.finish())


@pytest.mark.parametrize("option", ["1", "2"])
def test_the_second_receiver_counts_what_the_decoder_counts(option: str) -> None:
    data = sent("hdlc.fcs@12", "vendor.flip@14", "ethernet.code@15", option=option, length=48)
    own, events = received(OWN_DECODER, data, option)
    other, told = received(SECOND_RECEIVER, data, option)
    assert dict(other.counters) == dict(own.counters)
    assert other.state == own.state == "HFNSYNC"
    assert sum(isinstance(e, FrameReceived) for e in told) > 10

    def frames(events: list[Event]) -> Counter[Event]:
        return Counter(e for e in events if isinstance(e, FrameReceived))

    assert frames(told) == frames(events)
    assert Plane.IQ not in other.serves
    assert other.delivers == {Plane.HDLC, Plane.ETHERNET, Plane.VENDOR}


def test_the_second_receiver_follows_a_slip_and_counts_on() -> None:
    """Hyperframe numbers go on with the line; the decoder's do as well."""
    data = sent("line.slip@12", length=64)
    own, events = received(OWN_DECODER, data)
    other, told = received(SECOND_RECEIVER, data)
    assert own.counters["realignments"] == other.counters["realignments"] == 1
    assert other.state == "HFNSYNC"
    last = max(e.hyperframe or 0 for e in events if isinstance(e, FrameReceived))
    assert max(e.hyperframe or 0 for e in told) == last
    numbers = [e.hyperframe or 0 for e in events if isinstance(e, IqReceived)]
    assert numbers[-1] == 63
    assert max(b - a for a, b in pairwise(numbers)) > 1


def test_the_decoder_tells_iq_and_status() -> None:
    receiver, events = received(OWN_DECODER, sent(length=24))
    assert receiver.serves == receiver.delivers == EVERY_PLANE
    assert [e.hyperframe for e in events if isinstance(e, IqReceived)] == list(range(24))
    status = [e for e in events if isinstance(e, StatusTold)]
    assert status[-1].hyperframe == 23
    [offset] = {(e.hfn - (e.hyperframe or 0)) % 150 for e in events if isinstance(e, FrameReceived)}
    assert status[-1].hfn == (23 + offset) % 150
    assert status[-1].l1 == {"protocol_version": 1, "hdlc_rate_code": 3, "pointer_p": 40}


def test_the_iq_of_a_hyperframe_shows_a_changed_bit() -> None:
    _, clean = received(OWN_DECODER, sent(length=24))
    _, damaged = received(OWN_DECODER, sent("iq.flip@10", length=24))
    differ = [a.hyperframe for a, b in zip(iq(clean), iq(damaged), strict=True) if a != b]
    assert differ == [10]


def iq(events: list[Event]) -> list[IqReceived]:
    return [e for e in events if isinstance(e, IqReceived)]


class Listener:
    """Tells of HDLC: one frame in all."""

    serves = ("hdlc",)

    def __init__(self, option: str, form: str) -> None:
        self.said = (option, form)

    def receive(self, data: bytes) -> Iterator[dict[str, Any]]:
        yield {"plane": "hdlc", "status": "good", "hyperframe": 2, "data": "0103", "fcs": "da79"}


class Teller:
    """Has counters, a state, and says nothing else."""

    counters = dict.fromkeys(COUNTERS, 0) | {"hdlc_frames": 7, "of_my_own": 3}
    state = "HFNSYNC"
    delivers = ()

    def __init__(self, option: str, form: str) -> None:
        pass

    def receive(self, data: bytes) -> None:
        return None


def test_a_class_of_ones_own() -> None:
    receiver = PythonReceiver(Listener("2", "bits"))
    [event] = receiver.receive(b"..")
    assert isinstance(event, FrameReceived)
    assert receiver.finish() == []
    assert receiver.serves == receiver.delivers == {Plane.HDLC}
    assert receiver.counters["hdlc_frames"] == 1
    assert receiver.state is None


def test_a_class_that_only_counts() -> None:
    receiver = PythonReceiver(Teller("2", "bits"))
    assert receiver.receive(b"..") == []
    assert receiver.counters["hdlc_frames"] == 7
    assert receiver.state == "HFNSYNC"
    assert receiver.serves == EVERY_PLANE
    assert not receiver.delivers


def test_a_receiver_by_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "receiver_of_mine.py").write_text(
        "class Mine:\n    def __init__(self, option, form):\n        self.state = option + form\n"
        "    def receive(self, data):\n        return []\n"
    )
    (tmp_path / "receiver_that_fails.py").write_text("raise RuntimeError('no \\x1b[31mlicence')\n")
    monkeypatch.chdir(tmp_path)
    found = receiver_named("receiver_of_mine:Mine")
    assert not found.own
    receiver = found(LinkSettings("4", LineForm.FLAGGED))
    receiver.receive(b"")
    assert receiver.state == "4flagged"
    assert receiver_named("decoder").own
    for wrong, says in (
        ("nonsense", "no MODULE:CLASS"),
        ("receiver_of_mine:", "no MODULE:CLASS"),
        ("receiver_of_mine:Yours", "AttributeError"),
        ("nowhere_at_all:Mine", "ModuleNotFoundError"),
        ("receiver_that_fails:Mine", r"no \x1b[31mlicence"),
        ("os:curdir", "no class"),
    ):
        with pytest.raises(InputError) as caught:
            receiver_named(wrong)
        assert says in str(caught.value)
