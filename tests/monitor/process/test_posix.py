"""What only POSIX has, and what is said or done where it is missing."""

from __future__ import annotations

import os
import socket
import sys
import threading
from pathlib import Path

import pytest

from monitor.errors import InputError
from monitor.process import posix


def test_no_pseudo_terminals(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("pty", "tty"):
        monkeypatch.setitem(sys.modules, name, None)  # an import of it fails then
        with pytest.raises(InputError, match="this system has no pseudo-terminals; use --tcp"):
            posix.pseudo_terminal()
        monkeypatch.undo()


def test_no_sockets_at_a_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(socket, "AF_UNIX")
    with pytest.raises(InputError, match="this system has no sockets at a path; give HOST:PORT"):
        posix.file_socket()


def test_no_terminal_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    assert [error.__name__ for error in posix.terminal_errors()] == ["error"]
    monkeypatch.setitem(sys.modules, "termios", None)
    assert posix.terminal_errors() == ()


@pytest.mark.parametrize("missing", [False, True])
def test_reading_at_a_place_from_two_threads(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, missing: bool
) -> None:
    if missing:
        monkeypatch.delattr(os, "pread")
    path = tmp_path / "x"
    path.write_bytes(bytes(range(256)) * 16)
    fd = os.open(path, os.O_RDONLY)
    wrong: list[int] = []

    def read(start: int) -> None:
        wrong.extend(at for at in range(start, 4000, 7) if posix.read_at(fd, 3, at)[0] != at % 256)

    threads = [threading.Thread(target=read, args=(start,)) for start in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    os.close(fd)
    assert wrong == []


def test_waiting_for_a_file() -> None:
    reading, writing = os.pipe()
    try:
        assert posix.can_wait_for_files() == (os.name == "posix")
        assert not posix.file_waits(reading, 0.0)
        os.write(writing, b"x")
        assert posix.file_waits(reading, 5.0)
    finally:
        os.close(reading)
        os.close(writing)
