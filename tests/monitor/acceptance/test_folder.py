"""The evidence folder: whole files, a journal that only grows, a manifest that names what changed."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from monitor.acceptance.folder import MANIFEST, EvidenceFolder, manifest_problems
from monitor.errors import InputError, OutputError


@pytest.fixture
def folder(tmp_path: Path) -> EvidenceFolder:
    made = EvidenceFolder.create(tmp_path / "evidence")
    made.write("plan.toml", b"x = 1\n")
    made.write("stages/01-quiet.json", b"{}\n")
    made.note(event="begin")
    return made


def test_a_folder_is_incomplete_until_it_is_sealed(folder: EvidenceFolder) -> None:
    assert not folder.complete and (folder.path / "INCOMPLETE").is_file()
    folder.seal()
    assert folder.complete and not (folder.path / "INCOMPLETE").exists()
    assert manifest_problems(folder) == []
    listed = json.loads((folder.path / MANIFEST).read_bytes())["files"]
    assert listed["plan.toml"] == hashlib.sha256(b"x = 1\n").hexdigest()
    assert set(listed) == {"journal.jsonl", "plan.toml", "stages/01-quiet.json"}


def test_a_folder_with_something_in_it_is_refused(folder: EvidenceFolder, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="is not empty"):
        EvidenceFolder.create(folder.path)
    with pytest.raises(InputError, match="no such folder"):
        EvidenceFolder.existing(tmp_path / "elsewhere")


def test_one_octet_anywhere_is_named(folder: EvidenceFolder) -> None:
    folder.seal()
    for path in sorted(p for p in folder.path.rglob("*") if p.is_file()):
        name = path.relative_to(folder.path).as_posix()
        octets = path.read_bytes()
        for at in {0, len(octets) // 2, len(octets) - 1}:
            path.write_bytes(octets[:at] + bytes([octets[at] ^ 1]) + octets[at + 1 :])
            assert any(problem.startswith(f"{name}: ") for problem in manifest_problems(folder)), (name, at)
        path.write_bytes(octets)
    assert manifest_problems(folder) == []


def test_missing_and_strange_files_are_named(folder: EvidenceFolder) -> None:
    folder.seal()
    (folder.path / "plan.toml").unlink()
    (folder.path / "extra.txt").write_text("more")
    assert manifest_problems(folder) == ["extra.txt: is not in the manifest", "plan.toml: is missing"]


def test_a_torn_last_line_of_the_journal_is_left_out(folder: EvidenceFolder) -> None:
    with (folder.path / "journal.jsonl").open("ab") as file:
        file.write(b'{"event": "sta')
    assert [entry["event"] for entry in folder.journal()] == ["begin"]
    folder.note(event="resume")
    assert [entry["event"] for entry in folder.journal()] == ["begin", "resume"]


def test_what_a_kill_leaves_of_a_file_is_removed(folder: EvidenceFolder) -> None:
    (folder.path / "stages" / ".framefray-0011223344556677.part").write_bytes(b"half")
    folder.seal()
    assert not list(folder.path.rglob(".framefray-*")) and manifest_problems(folder) == []


def test_json_that_is_none_is_an_input_error(folder: EvidenceFolder) -> None:
    folder.write("report.json", b"{")
    with pytest.raises(InputError, match=r"report\.json: is not JSON"):
        folder.read_json("report.json")
    assert folder.read_json("nothing.json") is None
