"""Where a board sends a fault: by its count received, and for two boards by BFN and HFN."""

from __future__ import annotations

import pytest

from decoders.link.settings import SenderSettings
from monitor.emulation.board_sender import BoardSender
from monitor.emulation.sent_places import SentPlaces
from monitor.errors import InputError
from monitor.faults.catalogue import parse_fault


@pytest.fixture
def sender() -> BoardSender:
    sender = BoardSender(SenderSettings(option="1", bfn=5, hfn=140, hdlc_rate_code=2), 1, 0.2, uplink=False)
    sender.batch(8)
    return sender


def test_one_board_counts_what_comes_back(sender: BoardSender) -> None:
    places = SentPlaces(sender)
    assert places.schedule(parse_fault("hdlc.fcs"), 6, pair=False) == (6, "hdlc.fcs@6:xor=1,octets=0")
    assert places.schedule(parse_fault("hdlc.fcs@5"), 6, pair=False) is None


def test_a_pair_says_bfn_and_hfn(sender: BoardSender) -> None:
    places = SentPlaces(sender)
    placed = places.schedule(parse_fault("iq.flip"), 100, pair=True)
    assert placed is not None and placed[1].endswith("; BFN 5 HFN 148")  # 140 and the 8 that were sent
    placed = places.schedule(parse_fault("iq.flip@103"), 100, pair=True)
    assert placed is not None and placed[1].endswith("; BFN 6 HFN 1")


def test_faults_asked_for_in_one_hyperframe_are_sent_in_one(sender: BoardSender) -> None:
    places = SentPlaces(sender)
    first = places.schedule(parse_fault("iq.flip@110"), 100, pair=True)
    second = places.schedule(parse_fault("vendor.flip@110"), 104, pair=True)  # four more have come meanwhile
    assert first is not None and second is not None
    assert first[1].partition("; ")[2] == second[1].partition("; ")[2] == "BFN 6 HFN 8"
    sender.batch(11)
    assert places.schedule(parse_fault("vendor.flip@110"), 104, pair=True) is None  # it has left
    places.forget()
    assert places.schedule(parse_fault("vendor.flip@110"), 104, pair=True) is not None


def test_the_next_hyperframe_is_the_next_even_if_nothing_came(sender: BoardSender) -> None:
    places = SentPlaces(sender)
    texts = []
    for _ in range(2):
        placed = places.schedule(parse_fault("iq.flip"), 100, pair=True)
        assert placed is not None
        texts.append(placed[1].partition("; ")[2])
        sender.batch(10)
    assert texts == ["BFN 5 HFN 148", "BFN 6 HFN 8"]


def test_earlier_jumps_are_counted_in_and_later_ones_are_not(sender: BoardSender) -> None:
    sender.schedule(parse_fault("sync.jump@10:by=3"))
    assert [sender.announced(n) for n in (10, 11, 20)] == [(6, 0), (6, 4), (6, 13)]
    sender.batch(6)
    assert sender.announced(20) == (6, 13)


def test_a_fault_without_a_place_is_said(sender: BoardSender) -> None:
    with pytest.raises(InputError):
        SentPlaces(sender).schedule(parse_fault("line.header"), 1, pair=True)
