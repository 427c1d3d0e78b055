"""Known traffic: frames that are a function of their number, tones and PN sequences where they belong."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.error_performance.pn_sequences import PnChecker
from decoders.events import Plane
from decoders.linerates import option_named
from decoders.link.settings import SenderSettings
from monitor.acceptance.known_traffic import (
    KnownSender,
    NumberedTraffic,
    PnFill,
    ToneFill,
    number_of_frame,
    numbered_frame,
)


@pytest.mark.parametrize("plane", [Plane.HDLC, Plane.ETHERNET])
def test_a_frame_tells_its_number_and_no_other_does(plane: Plane) -> None:
    for number in (0, 1, 63, 64, 10_000, 2**33):
        frame = numbered_frame(plane, number, 3)
        assert number_of_frame(plane, frame, 3) == number
        assert number_of_frame(plane, frame, 4) is None
        assert number_of_frame(plane, frame[:-1] + bytes([frame[-1] ^ 1]), 3) is None
        assert number_of_frame(plane, frame[:-1], 3) is None
    lengths = {len(numbered_frame(plane, number, 3)) for number in range(128)}
    assert max(lengths) == (590 if plane is Plane.ETHERNET else 64) and len(lengths) == 6


def test_pn_fill_is_a_pn_sequence_through_all_iq_data() -> None:
    fill, checker = PnFill(option_named("2"), 15), PnChecker(15)
    for n in (1, 3, 2):
        checker.feed_octets(fill.octets(0, n))
    result = checker.result
    assert result.errors == 0 and result.inverted and result.bits_checked + result.bits_unlocked > 6 * 61_000


@pytest.mark.parametrize("option", ["1", "2", "8"])
def test_tone_fill_goes_on_through_hyperframes(option: str) -> None:
    fill = ToneFill(option_named(option), 1)
    whole = fill.octets(5, 6)
    assert np.array_equal(whole[2:4], fill.octets(7, 2)) and whole.any()


def test_a_sender_drops_the_frame_that_it_is_told_to() -> None:
    settings = SenderSettings("2", hdlc_rate_code=3)
    sender = KnownSender(settings, ToneFill(option_named("2"), 1), NumberedTraffic((Plane.HDLC,), 10, 1, 5))
    assert sender.waiting
    for _ in range(20):
        sender.batch(5)
    assert sender.handed == {Plane.HDLC: 10} and not sender.waiting
