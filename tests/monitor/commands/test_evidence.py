"""`framefray evidence`: check and diff, as text and as JSON, with their exit status."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from monitor.cli.main import main
from tests.support.acceptance import short_plan


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    base = tmp_path_factory.mktemp("evidence")
    made = []
    for name, emulated in (("a", ""), ("b", "length_m = 160")):
        (base / f"{name}.toml").write_text(short_plan("delay", emulated=emulated).text)
        main(["accept", str(base / f"{name}.toml"), "--out", str(base / name)])
        made.append(str(base / name))
    return made[0], made[1]


def test_check_and_diff(folders: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    first, second = folders
    capsys.readouterr()
    assert main(["evidence", "check", first]) == 0
    told = capsys.readouterr().out
    assert (
        "whole" in told and hashlib.sha256((Path(first) / "manifest.json").read_bytes()).hexdigest() in told
    )
    assert main(["evidence", "diff", first, first]) == 0
    assert "No change beyond uncertainty." in capsys.readouterr().out
    assert main(["evidence", "diff", first, second, "--json"]) == 1
    record = json.loads(capsys.readouterr().out)
    assert record["schema"] == "framefray.evidence-diff/1" and record["changes"] == 1
    assert record["quantities"][0]["what"] == "one-way delay"


def test_a_changed_file_is_named(folders: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    path = Path(folders[1]) / "versions.json"
    octets = path.read_bytes()
    path.write_bytes(octets.replace(b"numpy", b"numqy"))
    assert main(["evidence", "check", folders[1], "--json"]) == 1
    record = json.loads(capsys.readouterr().out)
    assert any(line.startswith("versions.json: has changed") for line in record["problems"])
    path.write_bytes(octets)


def test_the_number_of_folders_is_checked(
    folders: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["evidence", "diff", folders[0]]) == 2
    assert "takes 2 folders" in capsys.readouterr().err
    assert main(["evidence", "check", "/no/such/folder"]) == 2
