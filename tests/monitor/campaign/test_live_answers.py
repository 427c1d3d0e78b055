"""Known frames on a running board: a board that shares a mistake with the receiver fails, a refusal does not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from decoders.cm_plane.ethernet_encoder import EthernetDamage
from decoders.cm_plane.hdlc_encoder import HdlcDamage
from decoders.link.decoder import LinkDecoder
from decoders.link.parts import LinkParts
from decoders.link.planes import HyperframePlanes
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.campaign import live_link as live
from monitor.campaign.campaign import run_campaign
from monitor.campaign.cases import Case
from monitor.campaign.known_answers import Outcome
from monitor.campaign.live_bench import LiveBench
from monitor.campaign.results import Campaign
from monitor.emulation.board import BoardSetup
from monitor.errors import InputError, RefusedError
from monitor.protocol import records as r
from tests.monitor.campaign.mutants.serial_ethernet import EthernetRules, SerialEthernet
from tests.monitor.campaign.mutants.serial_hdlc import HdlcRules, SerialHdlc
from tests.support.boards import PumpedBoard

ONE = [Case(("vendor.flip",))]


def campaign_on(board: PumpedBoard) -> Campaign:
    bench = LiveBench(board, "board")
    return run_campaign(bench.conditions, ONE, bench=bench, known_answers=True)


def wrong_rows(campaign: Campaign) -> dict[str, str]:
    return {row.rule: row.observed for row in campaign.answers if not row.passed}


def test_fail_fast_stops_at_a_known_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    shared = Shared(monkeypatch, planes=rearranged(exchanged(64, 65)))
    shared.moves(exchanged(64, 65))
    bench = LiveBench(shared.board, "board")
    campaign = run_campaign(bench.conditions, ONE, bench=bench, known_answers=True, fail_fast=True)
    assert not campaign.results and not campaign.passed


# ---- a right board ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("option", "data"),
    [("1", r.RecordType.OCTETS), ("2", r.RecordType.FLAGGED), ("5", r.RecordType.CONTROL)],
)
def test_a_right_board_is_right_in_every_row(option: str, data: r.RecordType) -> None:
    bench = LiveBench(PumpedBoard(BoardSetup(option=option, data_type=data)), "board")
    rows = bench.known_answers()
    assert {row.outcome for row in rows} == {Outcome.PASS}
    frames = [row for row in rows if row.rule.startswith("known ")]
    assert len(frames) == 5
    assert {row.plane for row in rows} == {"sync", "l1", "hdlc", "ethernet", "vendor"}


def test_an_idle_board_is_right_too() -> None:
    """Then a frame begins with the first bit of a hyperframe."""
    rows = LiveBench(PumpedBoard(BoardSetup(load=0.0)), "board").known_answers()
    assert {row.outcome for row in rows} == {Outcome.PASS}


def test_a_board_that_refuses_is_not_proven(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any) -> int:
        raise RefusedError("the board refuses a frame: not on this board")

    monkeypatch.setattr(PumpedBoard, "send_frame", refuse)
    campaign = campaign_on(PumpedBoard())
    unproven = [row for row in campaign.answers if row.outcome is Outcome.NOT_PROVEN]
    assert len(unproven) == 5 and {row.plane for row in unproven} == {"hdlc", "ethernet"}
    assert all("not on this board" in row.observed for row in unproven)
    assert campaign.passed


def test_a_board_that_does_not_answer_is_asked_once(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def silent(self: PumpedBoard, *what: Any) -> int:
        asked.append(str(what[0]))
        raise InputError("asked 4 times for a frame, no answer")

    monkeypatch.setattr(PumpedBoard, "send_frame", silent)
    rows = LiveBench(PumpedBoard(), "board").known_answers()
    unproven = [row for row in rows if row.outcome is Outcome.NOT_PROVEN]
    assert len(asked) == 1 and len(unproven) == 11
    assert {row.observed for row in unproven} == {"asked 4 times for a frame, no answer"}


def test_a_link_without_channels_is_not_proven() -> None:
    board = PumpedBoard(BoardSetup(pointer_p=0, hdlc_rate_code=0))
    rows = LiveBench(board, "board").known_answers()
    assert {row.rule.split()[1] for row in rows if row.outcome is Outcome.NOT_PROVEN} == {"HDLC", "Ethernet"}
    assert all(row.passed for row in rows)
    with pytest.raises(RefusedError, match="no hdlc channel"):
        board.send_frame(r.TrafficPlane.HDLC, b"\x05\x41")
    with pytest.raises(RefusedError, match="plane 2 HDLC or 3 Ethernet"):
        board.send_frame(r.TrafficPlane.IQ, b"\x05\x41")
    with pytest.raises(RefusedError, match="at least 14"):
        board.send_frame(r.TrafficPlane.ETHERNET, b"\x05\x41")


# ---- one mistake in the sender and in the receiver ----------------------------------------------------------


class Shared:
    """A board and a receiver with the same mistake: `board` is changed, `decoder` reads what it sends."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, **parts: Any) -> None:
        self.board = PumpedBoard()
        self.sender = self.board.board.sender
        made = LinkParts(**parts)
        monkeypatch.setattr(live, "LinkDecoder", lambda settings: LinkDecoder(settings, parts=made))

    def moves(self, change: Callable[[Any], None]) -> None:
        """Control words (n, 256, T/8) changed in place before they leave."""
        batch = self.sender.batch

        def moved(n: int, following: int | None = None) -> Any:
            made = batch(n, following)
            for one in made:
                change(one.octets[:, :, 0, :])
            return made

        self.sender.batch = moved  # type: ignore[method-assign]


def rearranged(change: Callable[[Any], None]) -> type[HyperframePlanes]:
    """The planes of a receiver that puts the control words back before it reads them."""

    class Planes(HyperframePlanes):
        def receive(self, view: Any, first: int, ahead: Any) -> Any:
            view, ahead = view.copy(), ahead.copy()
            change(view[:, :, 0, :])
            change(ahead[:, :, 0, :])
            return super().receive(view, first, ahead)

    return Planes


def exchanged(a: int, b: int) -> Callable[[Any], None]:
    def change(control: Any) -> None:
        control[:, (a, b)] = control[:, (b, a)]

    return change


def rai_and_sdi(control: Any) -> None:
    alarms = control[:, 130, 0].copy()
    control[:, 130, 0] = (alarms & 0xF9) | (alarms & 2) << 1 | (alarms & 4) >> 1


@pytest.mark.parametrize(
    ("change", "rules"),
    [
        (exchanged(64, 65), ("HFN",)),
        (exchanged(128, 192), ("BFN",)),
        (exchanged(66, 194), ("pointer p",)),
        (rai_and_sdi, ("RAI", "SDI")),
        (exchanged(146, 147), ("vendor specific octet",)),
    ],
    ids=["HFN", "BFN", "settings", "RAI and SDI", "vendor words"],
)
def test_a_place_that_both_have_wrong_fails(
    change: Callable[[Any], None], rules: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    shared = Shared(monkeypatch, planes=rearranged(change))
    shared.moves(change)
    campaign = campaign_on(shared.board)
    assert all(result.passed for result in campaign.results)  # the receiver does not see it
    wrong = wrong_rows(campaign)
    assert all(any(rule.startswith(name) for rule in wrong) for name in rules), wrong
    assert not campaign.passed


def fcs_of(plane: str, xor_of: Callable[[bytes], int]) -> Callable[[Shared], None]:
    """Let the sender of a plane put another FCS behind each frame."""

    def change(shared: Shared) -> None:
        encoder = getattr(shared.sender.encoder, plane)
        send = encoder.send
        damage = HdlcDamage if plane == "hdlc" else EthernetDamage

        def wrong(data: bytes, **given: Any) -> Any:
            if plane == "ethernet":
                data = data.ljust(60, b"\0")
            return send(data, **({"damage": damage(fcs_xor=xor_of(data))} | given))

        encoder.send = wrong

    return change


def register(data: bytes, polynomial: int, preset: int) -> int:
    """The reflected register after these octets."""
    for octet in data:
        preset ^= octet
        for _ in range(8):
            preset = preset >> 1 ^ polynomial * (preset & 1)
    return preset


def of_presets(polynomial: int, ones: int) -> Callable[[bytes], int]:
    return lambda data: register(data, polynomial, 0) ^ register(data, polynomial, ones)


@pytest.mark.parametrize(
    ("parts", "change", "rule", "observed"),
    [
        (
            {"hdlc": lambda **_: SerialHdlc(HdlcRules(preset=0))},
            fcs_of("hdlc", of_presets(0x8408, 0xFFFF)),
            "known HDLC frame",
            "FCS-16 with its register preset to zeros",
        ),
        (
            {"hdlc": lambda **_: SerialHdlc(HdlcRules(complement=0))},
            fcs_of("hdlc", lambda data: 0xFFFF),
            "known HDLC frame",
            "FCS-16 not complemented",
        ),
        (
            {"ethernet": lambda **_: SerialEthernet(EthernetRules(preset_zero=True))},
            fcs_of("ethernet", of_presets(0xEDB88320, 0xFFFFFFFF)),
            "known Ethernet frame",
            "FCS-32 with its register preset to zeros",
        ),
    ],
    ids=["FCS-16 preset", "FCS-16 complement", "FCS-32 preset"],
)
def test_a_check_sequence_that_both_have_wrong_fails(
    parts: dict[str, Any],
    change: Callable[[Shared], None],
    rule: str,
    observed: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shared = Shared(monkeypatch, **parts)
    change(shared)
    campaign = campaign_on(shared.board)
    assert all(result.passed for result in campaign.results)
    wrong = wrong_rows(campaign)
    assert wrong and not campaign.passed
    assert all(name.startswith(rule) for name in wrong)
    assert all(seen.startswith(observed) for seen in wrong.values())


@pytest.mark.parametrize("plane", ["hdlc", "ethernet"])
def test_a_bit_order_that_both_have_wrong_fails(plane: str, monkeypatch: pytest.MonkeyPatch) -> None:
    usual = BoardSetup.sender_settings.fget  # type: ignore[attr-defined]

    def other(setup: BoardSetup) -> SenderSettings:
        given: SenderSettings = usual(setup)
        return replace(given, planes=replace(given.planes, **{f"{plane}_lsb_first": False}))

    monkeypatch.setattr(BoardSetup, "sender_settings", property(other))

    def decoder(settings: LinkSettings) -> LinkDecoder:
        return LinkDecoder(
            replace(settings, planes=replace(settings.planes, **{f"{plane}_lsb_first": False}))
        )

    monkeypatch.setattr(live, "LinkDecoder", decoder)
    campaign = campaign_on(PumpedBoard())
    assert all(result.passed for result in campaign.results)
    wrong = wrong_rows(campaign)
    assert set(wrong.values()) == {"control octets with their highest bit first"}
    assert len(wrong) == (3 if plane == "hdlc" else 2)
