"""A crafted capture as a file: its form, its list of injected faults, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.emulation.crafted_file import CraftedFile
from monitor.errors import InputError, OutputError
from monitor.formats.ffcap import CaptureRecordType
from monitor.formats.ffcap_reader import CaptureReader
from monitor.formats.forms import Form
from monitor.sources.file import open_file_source

OCTETS = 3 * 8192
"""Of three hyperframes of option 2."""


@pytest.mark.parametrize(
    ("form", "octets"),
    [("octets", OCTETS), ("flagged", 2 * OCTETS), ("symbols", 2 * OCTETS), ("bits", OCTETS * 10 // 8)],
)
def test_the_suffix_gives_the_form(tmp_path: Path, form: str, octets: int) -> None:
    path = tmp_path / f"c.{form}"
    file = CraftedFile(out=str(path), hyperframes=3)
    made = file.write()
    assert file.data_format is Form(form) and made.hyperframes == 3
    assert path.stat().st_size == octets == made.octets_written


def test_hex_and_ffcap_hold_the_same_octets(tmp_path: Path) -> None:
    data = {}
    for form in ("octets", "hex", "ffcap"):
        path = tmp_path / f"c.{form}"
        CraftedFile(out=str(path), hyperframes=3, fault=["hdlc.fcs@1"], seed=4).write()
        source = open_file_source(path)
        data[form] = b"".join(bytes(chunk.data) for chunk in source.chunks())
        source.close()
    assert data["octets"] == data["hex"] == data["ffcap"][::2]
    with CaptureReader(tmp_path / "c.ffcap") as reader:
        faults = [record for record in reader.records() if record.type is CaptureRecordType.FAULT]
    assert [json.loads(record.payload)["fault"] for record in faults] == ["hdlc.fcs"]


def test_the_capture_and_its_list_are_both_there_or_none(tmp_path: Path) -> None:
    out, truth = tmp_path / "c.bits", tmp_path / "c.json"
    CraftedFile(out=str(out), hyperframes=3, truth=str(truth)).write()
    assert json.loads(truth.read_text())["counters"]["hdlc_fcs_errors"] == 0
    out.unlink()
    with pytest.raises(OutputError, match=r"c.json: exists already; --force replaces it"):
        CraftedFile(out=str(out), hyperframes=3, truth=str(truth)).write()
    assert not out.exists()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"out": "x"}, "x: unknown suffix; use one of .octets .flagged"),
        ({"truth": "c.bits"}, "OUT and --truth are the same file"),
        ({"out": "c.octets", "lead_bits": 3}, "--lead-bits is for the bits format, not for octets"),
        ({"lead_bits": 10_000_001}, "--lead-bits 10000001: at most 10000000"),
        ({"option": "8", "out": "c.symbols"}, "form symbols is not valid for option 8"),
        ({"option": "12"}, "option '12' does not exist"),
        ({"out": "c.blocks"}, "form blocks is not valid for option 2"),
        ({"fault": ["hdlc.fcs"]}, "fault hdlc.fcs: no hyperframe is given; write it as hdlc.fcs@40"),
        ({"plan": "none.toml"}, "none.toml: No such file"),
    ],
)
def test_settings_that_are_not_valid_together(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError) as error:
        CraftedFile(**{"out": "c.bits"} | changes)
    assert said in str(error.value)


def test_a_capture_needs_a_file() -> None:
    with pytest.raises(InputError, match=r"an \.ffcap capture needs a file"):
        CraftedFile(out="-", form="ffcap", hyperframes=2).write()
