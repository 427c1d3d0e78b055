"""Questions before a board transmits or resets."""

from __future__ import annotations

import sys

import pytest

from monitor.errors import InputError
from monitor.process.asking import permit

WHAT = "/dev/ttyUSB0: this makes the board transmit damaged data"


def terminal(
    monkeypatch: pytest.MonkeyPatch, *, there: bool, answer: str | type[Exception] = ""
) -> list[str]:
    asked: list[str] = []

    def ask(question: str) -> str:
        asked.append(question)
        if isinstance(answer, str):
            return answer
        raise answer

    monkeypatch.setattr(sys.stdin, "isatty", lambda: there, raising=False)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: there, raising=False)
    monkeypatch.setattr("builtins.input", ask)
    return asked


def test_yes_on_the_command_line_asks_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = terminal(monkeypatch, there=True)
    permit(True, WHAT)
    assert asked == []


@pytest.mark.parametrize("answer", ["y", "Yes ", "YES"])
def test_a_yes_at_the_terminal_is_enough(monkeypatch: pytest.MonkeyPatch, answer: str) -> None:
    asked = terminal(monkeypatch, there=True, answer=answer)
    permit(False, WHAT, "Do it?")
    assert len(asked) == 1 and asked[0].endswith("[y/N] ")


@pytest.mark.parametrize("answer", ["", "n", "yess", EOFError])
def test_everything_else_is_a_no(monkeypatch: pytest.MonkeyPatch, answer: str | type[Exception]) -> None:
    terminal(monkeypatch, there=True, answer=answer)
    with pytest.raises(InputError, match="--yes"):
        permit(False, WHAT)


def test_where_nobody_can_answer_nothing_is_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = terminal(monkeypatch, there=False)
    with pytest.raises(InputError) as error:
        permit(False, WHAT)
    assert asked == [] and str(error.value).startswith(WHAT)
