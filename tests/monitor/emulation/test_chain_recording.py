"""A chain recorded into a folder."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.emulation.chain import EmulatedChain
from monitor.emulation.chain_recording import ChainRecording, capture_name
from monitor.errors import OutputError
from monitor.opening import SourceRequest, open_source
from monitor.sources.names import Segment

FAULT = "ctrl_axc.flip@20:segment=RE-3>RE-2"


def test_every_point_has_a_capture_and_every_fault_its_segment(tmp_path: Path) -> None:
    out = tmp_path / "site"
    arguments = ["record", "emulated:chain", f"{out}/", "--option", "1", "--hyperframes", "40", "--pace", "0"]
    assert main([*arguments, "--fault", FAULT, "--note", "bench 3"]) == 0
    told = json.loads((out / "chain.json").read_text())
    assert told["schema"] == "framefray.chain/1" and told["nodes"] == ["REC-A", "RE-1", "RE-2", "RE-3"]
    same = EmulatedChain(option="1", load=0.5)
    same.inject(FAULT)
    got = same.step(40)
    assert len(told["points"]) == 6
    for point in told["points"]:
        segment = Segment.parse(point["segment"])
        source = open_source(SourceRequest(source=str(out / point["capture"])))
        assert b"".join(bytes(c.data) for c in source.chunks()) == got[segment].astype("<u2").tobytes()
        assert point["start_symbols"] == same.starts[segment] and (source.form, source.option) == (
            "symbols",
            "1",
        )
        assert tuple(point["first"].values()) == same.first_hyperframe(segment)
    (fault,) = told["faults"]
    assert (fault["fault"], fault["segment"], fault["hyperframe"], fault["hfn"]) == (
        "ctrl_axc.flip",
        "RE-3>RE-2",
        20,
        20,
    )
    moved = {name: e["exact"] for name, e in fault["points"].items() if e["exact"]}
    assert moved == {key: {"ctrl_axc_changes": 2} for key in ("RE-3>RE-2", "RE-2>RE-1", "RE-1>REC-A")}


def test_what_is_there_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / capture_name(Segment("RE-2", "RE-1"))
    kept.write_bytes(b"kept")
    arguments = [
        "record",
        "emulated:chain",
        str(tmp_path),
        "--option",
        "1",
        "--hyperframes",
        "8",
        "--pace",
        "0",
    ]
    assert main(arguments) == 2
    assert "RE-2_RE-1.ffcap: exists already" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == [kept.name] and kept.read_bytes() == b"kept"
    assert main([*arguments, "--force"]) == 0
    assert len(list(tmp_path.iterdir())) == 7 and kept.read_bytes() != b"kept"


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("ctrl_axc.flip@3", "no segment is named"),
        ("ctrl_axc.flip@3:segment=RE-1>RE-1", "is not SENDER>RECEIVER"),
        ("ctrl_axc.flip@9:segment=RE-1>RE-2", "the recording ends with hyperframe 7"),
    ],
)
def test_a_fault_that_cannot_be_leaves_no_folder(
    fault: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "site"
    assert main(["record", "emulated:chain", f"{out}/", "--hyperframes", "8", "--fault", fault]) == 2
    assert said in capsys.readouterr().err and not out.exists()


def test_stops_where_it_is(tmp_path: Path) -> None:
    recording = ChainRecording(EmulatedChain(option="1"), tmp_path / "site", hyperframes=500)
    recording.stop()
    recording.run()
    assert recording.hyperframes < 100 and not recording.writing
    with pytest.raises(OutputError, match="exists already"):
        ChainRecording(EmulatedChain(option="1"), tmp_path / "site")
