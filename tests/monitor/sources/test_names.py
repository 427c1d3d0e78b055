"""What a SOURCE word means."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import InputError
from monitor.sources import names
from monitor.sources.names import (
    Segment,
    SourceKind,
    chain_point,
    is_chain,
    is_pair,
    line_meant,
    named_source,
    source_kind,
)


@pytest.mark.parametrize(
    ("word", "kind"),
    [
        ("emulated", SourceKind.EMULATED),
        ("emulated:pair", SourceKind.EMULATED),
        ("emulated:ring", SourceKind.EMULATED),
        ("emulated.bits", SourceKind.CAPTURE),
        ("emulated-7.octets", SourceKind.CAPTURE),
        ("-", SourceKind.CAPTURE),
        ("clean.octets", SourceKind.CAPTURE),
        ("/dev/null", SourceKind.CAPTURE),
        ("/dev/ttyUSB0", SourceKind.LINE),
        ("socket://127.0.0.1:7000", SourceKind.LINE),
        ("loop://", SourceKind.LINE),
    ],
)
def test_the_word_alone_tells_the_kind(word: str, kind: SourceKind) -> None:
    assert source_kind(word) is kind


def test_there_are_two_emulated_links() -> None:
    assert (is_pair("emulated"), is_pair("emulated:pair")) == (False, True)
    with pytest.raises(InputError, match="'emulated:ring' does not exist; use emulated or emulated:pair"):
        is_pair("emulated:ring")


def test_the_chain_is_no_single_link() -> None:
    assert is_chain("emulated:chain") and is_chain("emulated:chain/RE-1>RE-2")
    assert not is_chain("emulated:chains") and not is_chain("emulated:pair")
    assert chain_point("emulated:chain") is None
    assert chain_point("emulated:chain/RE-1>RE-2") == Segment("RE-1", "RE-2")
    for text in ("emulated:chain/", "emulated:chain/RE-1", "emulated:chain/RE-1>RE-2/x"):
        with pytest.raises(InputError, match="is not SENDER>RECEIVER"):
            chain_point(text)
    with pytest.raises(InputError, match="is a chain of links; use emulated or emulated:pair here"):
        is_pair("emulated:chain")


def test_ports_of_another_desk(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(names.sys, "platform", "win32")
    assert source_kind("COM3") is source_kind("com12") is source_kind(r"\\.\COM40") is SourceKind.LINE
    assert source_kind("COM3.bits") is source_kind("/dev/ttyUSB0") is SourceKind.CAPTURE


def test_a_bare_address_is_meant_as_a_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert line_meant("bench-3:7000") == "socket://bench-3:7000"
    assert line_meant("[::1]:7000") == "socket://[::1]:7000"
    assert line_meant("clean.octets") is None
    monkeypatch.chdir(tmp_path)
    Path("bench-3:7000").touch()
    assert line_meant("bench-3:7000") is None


@pytest.mark.parametrize(
    ("word", "name", "source"),
    [
        ("REC-A=socket://127.0.0.1:7000", "REC-A", "socket://127.0.0.1:7000"),
        ("RE-1=night.ffcap", "RE-1", "night.ffcap"),
        ("RE-1=a=b.octets", "RE-1", "a=b.octets"),
        ("night.ffcap", None, "night.ffcap"),
        ("socket://127.0.0.1:7000?logging=debug", None, "socket://127.0.0.1:7000?logging=debug"),
        ("./a=b.octets", None, "./a=b.octets"),
        ("RE-1=", None, "RE-1="),
        ("=night.ffcap", None, "=night.ffcap"),
    ],
)
def test_a_source_may_have_a_name(word: str, name: str | None, source: str) -> None:
    assert named_source(word) == (name, source)


def test_a_file_that_exists_is_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "RE-1=night.ffcap").touch()
    assert named_source("RE-1=night.ffcap") == (None, "RE-1=night.ffcap")


def test_a_segment_is_one_direction_between_two_nodes() -> None:
    segment = Segment.parse("RE-1>RE-2")
    assert (segment.sender, segment.receiver) == ("RE-1", "RE-2")
    assert Segment.parse(segment.name) == segment
    assert segment.reverse.name == "RE-2>RE-1"


@pytest.mark.parametrize(
    "text", ["", "RE-1", "RE-1>", ">RE-1", "RE-1>RE-1", "RE-1>RE-2>RE-3", "RE 1>RE-2", "-a>b"]
)
def test_what_is_no_segment_is_one_line(text: str) -> None:
    with pytest.raises(InputError, match="SENDER>RECEIVER"):
        Segment.parse(text)
