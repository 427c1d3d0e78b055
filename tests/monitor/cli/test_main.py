"""What ends a command, and with which exit status and line."""

from __future__ import annotations

import sys
from types import ModuleType

import pytest

from decoders.errors import SettingsError
from monitor.cli.main import main
from monitor.errors import InputError


@pytest.mark.parametrize(
    ("error", "status", "line"),
    [
        (InputError("a.bits: is empty", 12, "use another"), 2, "a.bits: is empty at offset 12; use another"),
        (SettingsError("pointer 7 is not valid"), 2, "pointer 7 is not valid"),
        (KeyboardInterrupt("a.bits: nothing was written"), 130, "interrupted; a.bits: nothing was written"),
        (MemoryError(), 2, "the memory of this machine is not enough for that; ask for less"),
        (OSError(28, "No space left on device"), 2, "standard output: No space left on device"),
        (OSError(2, "No such file or directory", "x\x1b[2J"), 2, "x\\x1b[2J: No such file or directory"),
    ],
    ids=lambda value: type(value).__name__,
)
def test_an_error_is_one_line(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: BaseException,
    status: int,
    line: str,
) -> None:
    command = ModuleType("monitor.commands.rates")

    def run(arguments: object) -> int:
        raise error

    command.run = run  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "monitor.commands.rates", command)
    assert main(["rates"]) == status
    assert capsys.readouterr().err == f"framefray: {line}\n"


def test_a_mistake_of_the_program_itself_is_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    command = ModuleType("monitor.commands.rates")

    def run(arguments: object) -> int:
        raise ValueError("a bug")

    command.run = run  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "monitor.commands.rates", command)
    with pytest.raises(ValueError, match="a bug"):
        main(["rates"])


def test_whoever_reads_may_have_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    command = ModuleType("monitor.commands.rates")

    def run(arguments: object) -> int:
        raise BrokenPipeError

    command.run = run  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "monitor.commands.rates", command)
    monkeypatch.setattr("monitor.cli.main.discard_output", lambda: None)
    assert main(["rates"]) == 0


@pytest.mark.parametrize("shell", ["bash", "zsh", "tcsh"])
def test_completion_names_every_command(capsys: pytest.CaptureFixture[str], shell: str) -> None:
    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert all(name in script for name in ("campaign", "craft", "replay", "--fec"))
