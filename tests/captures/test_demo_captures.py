"""The captures in captures/: made again they are the same octets, and decode finds what README.md says."""

from __future__ import annotations

import importlib.util
import json
import re
import sys
from pathlib import Path
from types import ModuleType

import pytest

from monitor.cli.main import main

FOLDER = Path(__file__).parents[2] / "captures"
FILES = ("clean.bits", "cm-faults.octets", "frame-end.ffcap", "line-faults.bits")


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_captures", FOLDER / "make.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_made_again_they_are_the_same(script: ModuleType, tmp_path: Path) -> None:
    script.make(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*FILES, "README.md"])
    for path in tmp_path.iterdir():
        assert path.read_bytes() == (FOLDER / path.name).read_bytes(), path.name
        assert path.stat().st_size < 150_000


def sections() -> dict[str, str]:
    text = (FOLDER / "README.md").read_text()
    return {part.split("\n", 1)[0]: part for part in re.split(r"^## ", text, flags=re.MULTILINE)[1:]}


@pytest.mark.parametrize("name", FILES)
def test_decode_finds_what_the_readme_says(
    name: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    section = sections()[name]
    (command,) = re.findall(r"^framefray (decode .*)$", section, re.MULTILINE)
    monkeypatch.chdir(FOLDER.parent)
    assert main(command.split()) == 0
    record = json.loads(capsys.readouterr().out)
    said = {
        counter: int(value)
        for counter, value in re.findall(r"^\| `(\w+)` \| (\d+) \|$", section, re.MULTILINE)
    }
    assert {counter: value for counter, value in record["counters"].items() if value} == said
    assert f"{record['hyperframes']} hyperframes in sync." in section
