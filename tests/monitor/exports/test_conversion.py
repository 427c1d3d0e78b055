"""Settings of an export that fit its file, and those that do not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from monitor.errors import InputError, OutputError
from monitor.exports import SIGMF, SUFFIXES
from monitor.exports.conversion import Conversion, ExportSettings

IQ = "M=15,fs=3.84,n=1"


def test_a_sigmf_recording_is_two_files(tmp_path: Path) -> None:
    for suffix in SIGMF:
        conversion = Conversion(tmp_path / f"a{suffix}", ExportSettings(iq=IQ))
        assert conversion.outputs == [tmp_path / f"a{each}" for each in SIGMF]


@pytest.mark.parametrize(
    ("settings", "fits"),
    [
        ({"iq": IQ}, {".npy", *SIGMF}),
        ({"table": "vendor"}, {".csv", ".jsonl", ".parquet"}),
        ({"words": "flagged"}, {".vcd", ".hex", ".mem"}),
        ({"limit": 3}, {".vcd", ".hex", ".mem"}),
        ({"clock_name": "clk"}, {".vcd"}),
        ({"direction": "outbound"}, {".pcapng"}),
    ],
)
def test_a_setting_belongs_to_its_files(tmp_path: Path, settings: dict[str, Any], fits: set[str]) -> None:
    for suffix in SUFFIXES:
        with_iq = {"iq": IQ} if suffix in (".npy", *SIGMF) else {}
        if suffix in fits:
            Conversion(tmp_path / f"a{suffix}", ExportSettings(**with_iq | settings))
            continue
        name = next(iter(settings)).replace("_", "-")
        with pytest.raises(InputError, match=rf"--{name} is for .*, not for {suffix}"):
            Conversion(tmp_path / f"a{suffix}", ExportSettings(**with_iq | settings))


def test_what_is_refused_before_anything_is_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"needs the IQ sample format; give it with --iq"):
        Conversion(tmp_path / "a.npy", ExportSettings())
    with pytest.raises(InputError, match=r"unknown suffix; use one of .pcapng"):
        Conversion(tmp_path / "a.xyz", ExportSettings())
    there = tmp_path / "a.csv"
    there.write_text("mine")
    with pytest.raises(OutputError, match="exists already"):
        Conversion(there, ExportSettings())
    assert Conversion(there, ExportSettings(), force=True).outputs == [there]
    with pytest.raises(OutputError, match="is the source itself"):
        Conversion(there, ExportSettings(), source_name=str(there), force=True)
