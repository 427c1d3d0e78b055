"""One rule for every file that is written: no older file is lost unasked, none is ever half there."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.errors import OutputError
from monitor.process.output_file import OutputFile, check_report, clear_report, new_file, write_report
from tests.support.commands import outcome

Writing = Callable[[Path, bool], None]


def _grown(path: Path, force: bool) -> None:
    fd = new_file(path, force=force)
    os.write(fd, b"new")
    os.close(fd)


def _whole(path: Path, force: bool) -> None:
    with OutputFile(path, force=force) as file:
        file.write(b"new")


WAYS: list[Writing] = [
    _whole,
    _grown,
    lambda path, force: write_report(str(path), b"new", force=force),
]


@pytest.mark.parametrize("write", WAYS)
def test_what_is_there_is_replaced_only_where_that_was_asked(write: Writing, tmp_path: Path) -> None:
    path = tmp_path / "out"
    write(path, False)
    assert path.read_bytes() == b"new"
    path.write_bytes(b"three days of work")
    with pytest.raises(OutputError, match="out: exists already; --force replaces it"):
        write(path, False)
    assert path.read_bytes() == b"three days of work"
    write(path, True)
    assert path.read_bytes() == b"new"
    path.write_bytes(b"")  # as mktemp leaves it: nothing to lose
    write(path, False)
    assert path.read_bytes() == b"new"
    assert [each.name for each in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("write", WAYS)
@pytest.mark.parametrize("target", ["there", "not there"])
def test_no_symbolic_link_is_written_through(write: Writing, tmp_path: Path, target: str) -> None:
    real, link = tmp_path / "real", tmp_path / "link"
    if target == "there":
        real.write_bytes(b"")
    link.symlink_to(real)
    with pytest.raises(OutputError, match="is a symbolic link"):
        write(link, False)
    assert link.is_symlink()
    write(link, True)
    assert not link.is_symlink() and link.read_bytes() == b"new"
    assert real.exists() == (target == "there")
    assert not real.exists() or real.read_bytes() == b""


@pytest.mark.parametrize("write", WAYS)
def test_a_folder_is_no_file(write: Writing, tmp_path: Path) -> None:
    for force in (False, True):
        with pytest.raises(OutputError, match="Is a directory"):
            write(tmp_path, force)
        with pytest.raises(OutputError, match="No such file"):
            write(tmp_path / "no" / "folder", force)


def test_what_is_put_there_meanwhile_stays(tmp_path: Path) -> None:
    path = tmp_path / "out"
    with pytest.raises(OutputError, match="exists already"), OutputFile(path) as file:
        file.write(b"new")
        path.write_bytes(b"of somebody else")
    assert path.read_bytes() == b"of somebody else"
    assert [each.name for each in tmp_path.iterdir()] == ["out"]


def test_a_failure_leaves_nothing_or_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "out"
    for before in (None, b"old"):
        if before is not None:
            path.write_bytes(before)
        with pytest.raises(ZeroDivisionError), OutputFile(path, force=True) as file:
            file.write(b"new")
            raise ZeroDivisionError
        assert (path.read_bytes() if path.exists() else None) == before
        assert [each.name for each in tmp_path.iterdir()] == ["out"][: before is not None]


def test_a_pipe_and_a_device_are_written_in_place(tmp_path: Path) -> None:
    fifo, link = tmp_path / "fifo", tmp_path / "null"
    os.mkfifo(fifo)
    link.symlink_to("/dev/null")
    reader = os.open(fifo, os.O_RDONLY | os.O_NONBLOCK)
    try:
        _whole(fifo, False)
        assert os.read(reader, 10) == b"new"
    finally:
        os.close(reader)
    _whole(link, False)
    assert fifo.is_fifo() and link.is_symlink()
    with pytest.raises(OutputError, match="no regular file"):
        new_file(fifo, force=True)


def test_a_report_is_checked_before_and_none_of_an_older_run_stays(tmp_path: Path) -> None:
    path = tmp_path / "report.xml"
    check_report(str(path))
    clear_report(str(path))
    assert not list(tmp_path.iterdir())
    path.write_text("older")
    for function in (check_report, clear_report):
        with pytest.raises(OutputError, match="exists already"):
            function(str(path))
    check_report(str(path), force=True)
    assert path.read_text() == "older"
    clear_report(str(path), force=True)
    assert not path.exists()
    with pytest.raises(OutputError, match="No such file"):
        check_report(str(tmp_path / "no" / "report.xml"))


@pytest.mark.parametrize(
    "words",
    [
        "craft OUT.bits --hyperframes 4",
        "craft fresh.bits --hyperframes 4 --truth OUT.json",
        "record emulated OUT.ffcap --limit 4hf",
        "record emulated OUT.bits --limit 4hf",
        "export clean.bits OUT.csv",
        "delay emulated --resets 2 --html OUT.html",
        "campaign emulated --only sync.hfn --junit OUT.xml",
        "campaign emulated --only sync.hfn --html OUT.html",
    ],
)
def test_every_command_keeps_to_the_rule(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    source = Path(__file__).parents[3] / "captures" / "clean.bits"
    Path("clean.bits").symlink_to(source)
    given = words.split()
    out = next(Path(word) for word in given if word.startswith("OUT"))
    out.write_text("three days of work")
    before = sorted(tmp_path.iterdir())
    status, _, err = outcome(capfd, *given)
    assert (status, err.splitlines()[-1]) == (2, f"framefray: {out}: exists already; --force replaces it")
    assert out.read_text() == "three days of work"
    assert sorted(tmp_path.iterdir()) == before
    mine = Path("mine")
    out.rename(mine)
    out.symlink_to(mine)
    status, _, err = outcome(capfd, *given)
    assert status == 2 and "is a symbolic link" in err
    assert mine.read_text() == "three days of work"
    assert outcome(capfd, *given, "--force")[0] == 0
    assert mine.read_text() == "three days of work"
    assert not out.is_symlink() and out.stat().st_size > 40
