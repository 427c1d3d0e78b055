"""What a SOURCE word means."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import InputError
from monitor.sources import names
from monitor.sources.names import SourceKind, is_pair, line_meant, source_kind


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
