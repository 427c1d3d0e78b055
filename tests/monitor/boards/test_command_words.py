"""Commands to a board in words."""

from __future__ import annotations

import pytest

from monitor.boards.command_words import parse_command
from monitor.errors import InputError
from monitor.protocol import records as r


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("status", r.AskStatus()),
        ("loopback CABLE", r.SetLoopback(r.Loopback.CABLE)),
        ("reset", r.ResetTransceiver(r.Transceiver.TRANSMITTER | r.Transceiver.RECEIVER)),
        ("reset receiver", r.ResetTransceiver(r.Transceiver.RECEIVER)),
        ("traffic hdlc 0", r.SetTraffic(r.TrafficPlane.HDLC, 0)),
        ("traffic vendor 100", r.SetTraffic(r.TrafficPlane.VENDOR, 100)),
        ("data none", r.SelectData(0)),
        ("data control", r.SelectData(3)),
    ],
)
def test_every_command_has_its_words(words: str, message: r.Message) -> None:
    assert parse_command(words.split()) == message


@pytest.mark.parametrize(
    "words",
    ["start", "status now", "loopback", "loopback far", "traffic iq", "traffic iq 101", "traffic iq -1"],
)
def test_other_words_are_refused_with_what_there_is(words: str) -> None:
    with pytest.raises(InputError, match="is no command") as refused:
        parse_command(words.split())
    assert refused.value.hint
