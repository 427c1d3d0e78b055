"""Questions before a board transmits or resets."""

from __future__ import annotations

import sys

from ..errors import InputError
from ..text import inert

__all__ = ["permit"]


def asked(statement: str, question: str) -> bool:
    """The answer on the terminal to a question that lets a board transmit or reset."""
    print(inert(statement), file=sys.stderr)
    try:
        return input(f"{question} [y/N] ").strip().lower() in ("y", "yes")
    except EOFError:
        return False


def permit(yes: bool, what: str, question: str = "Allow it?") -> None:
    """InputError unless --yes was given, or the terminal says yes to `what` the board is made to do."""
    if not (yes or (sys.stdin.isatty() and sys.stderr.isatty() and asked(f"{what}.", question))):
        raise InputError(what, hint="--yes does it without asking")
