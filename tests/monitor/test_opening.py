"""From a SOURCE word to a source, its decoder settings, and a link under test."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest

from decoders.linerates import option_with
from monitor.emulation.emulated_link import EmulatedSource
from monitor.errors import InputError
from monitor.formats.forms import Form
from monitor.opening import (
    LinkRequest,
    SourceRequest,
    check_capture,
    link_settings,
    open_link,
    open_source,
)
from monitor.sources.file import RawSource
from tests.support.form_streams import as_form


def test_a_request_takes_what_a_command_has() -> None:
    arguments = argparse.Namespace(source="emulated", option="4", fps=10, seed=7)
    request = SourceRequest.of(arguments, hyperframes=3)
    assert (request.option, request.seed, request.hyperframes, request.pace) == ("4", 7, 3, 750.0)
    assert LinkRequest.of(arguments).via == "link"


def test_a_capture_whose_name_begins_like_an_emulated_link(tmp_path: Path) -> None:
    path = tmp_path / "emulated.octets"
    path.write_bytes(as_form(Form.OCTETS, "2", 4))
    request = SourceRequest(source=str(path), pointer=20)
    source = open_source(request)
    assert isinstance(source, RawSource) and not request.is_emulated
    assert link_settings(request, source).planes.fixed_pointer_p == 20
    source.close()


def test_an_emulated_link_sends_what_was_asked_for() -> None:
    request = SourceRequest(source="emulated:pair", option="1", pointer=20, hyperframes=2, pace=0)
    source = open_source(request)
    assert isinstance(source, EmulatedSource) and source.pair
    assert sum(len(chunk.data) for chunk in source.chunks()) * 8 // 10 >= 2 * 4096
    assert link_settings(request, source).planes.fixed_pointer_p is None  # decoded as received
    source.close()


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        (SourceRequest(source="emulated:ring"), "'emulated:ring' does not exist"),
        (SourceRequest(source="emulated", pointer=7), "pointer"),
        (SourceRequest(source="dump.vcd"), "no signals are named; give --vcd data="),
        (SourceRequest(source="dump.vcd", vcd="data=d"), "no option is known; give --option"),
        (SourceRequest(source="bench-3:7000"), "a board on the network is socket://bench-3:7000"),
        (SourceRequest(source="none.bits", ber=0.1), "--ber is for emulated links and boards"),
        (SourceRequest(source="none.bits", hyperframes=1), "--hyperframes is for emulated links and boards"),
        (SourceRequest(source="none.bits"), "none.bits: No such file"),
    ],
)
def test_what_cannot_be_opened_is_said_in_one_line(request_: SourceRequest, said: str) -> None:
    with pytest.raises(InputError) as error:
        open_source(request_)
    assert said in str(error.value)


def test_replay_and_compare_take_captures_only() -> None:
    check_capture("clean.bits")
    for name in ("emulated", "socket://127.0.0.1:1"):
        with pytest.raises(InputError, match=f"not a capture; record it first: framefray record {name} FILE"):
            check_capture(name)


def test_a_link_under_test() -> None:
    with open_link(LinkRequest(source="emulated", option="3", seed=5)) as (conditions, bench):
        assert (conditions.option, conditions.pointer_p, bench) == ("3", 40, None)
    for request, said in (
        (LinkRequest(source="loop://", via="craft"), "--via craft is for emulated links"),
        (LinkRequest(source="loop://", fec="on"), "--fec and --scrambling are for emulated links"),
        (LinkRequest(source="loop://", pointer=20), "--pointer is for emulated links"),
        (LinkRequest(source="loop://"), "this makes the board transmit damaged data"),
        (LinkRequest(source="clean.bits"), "faults can be injected into emulated, emulated:pair and boards"),
        (
            LinkRequest(source="emulated", option="10", scrambling=1),
            "option 10 has no scrambling of version 2",
        ),
        (LinkRequest(source="emulated", pointer=3), "pointer"),
    ):
        with pytest.raises(InputError, match=said), open_link(request):
            pass


def test_one_refusal_for_a_line_code() -> None:
    assert option_with("64b66b", "7a", "x").name == "7A"
    for name in ("7A", "8", "9", "10"):
        with pytest.raises(ValueError, match=r"this part: 8B/10B only \(options 1, 2, 3, 4, 5, 6, 7\)"):
            option_with("8b10b", name, "this part")
