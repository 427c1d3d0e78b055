"""The parser of the command line, and what its values may be. Imports nothing heavy."""

from __future__ import annotations

import argparse
from typing import NoReturn

from ..arguments import MOST_COUNTED, MOST_DIGITS
from ..text import inert

__all__ = [
    "Parser",
    "at_least_one",
    "baud",
    "bit_error_ratio",
    "file_name",
    "number",
    "pace",
    "refreshes",
    "seconds",
    "share",
    "whole",
]

MOST_HYPERFRAMES_PER_SECOND = 1e9
LEAST_HYPERFRAMES_PER_SECOND = 1e-3

LEAST_SECONDS, MOST_SECONDS = 0.1, 86_400.0

MOST_BAUD = (1 << 31) - 1


class Parser(argparse.ArgumentParser):
    """Says what is wrong in one line, without the usage of every option before it."""

    def error(self, message: str) -> NoReturn:
        name = self.prog.partition(" ")[2]
        where = f"{name}: " if name else ""
        self.exit(2, f"framefray: {where}{inert(message)}; see `{self.prog} --help`\n")


def whole(text: str) -> int:
    """0, 1, 2, …, decimal or as 0x1F."""
    if len(text) > MOST_DIGITS:
        raise argparse.ArgumentTypeError(f"{text[:20]!r}… has more than {MOST_DIGITS} digits")
    try:
        value = int(text, 0)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number") from None
    if value < 0:
        raise argparse.ArgumentTypeError(f"{text} is negative")
    return value


def at_least_one(text: str) -> int:
    value = whole(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"{text} is less than 1")
    if value > MOST_COUNTED:
        raise argparse.ArgumentTypeError(f"{text} is more than {MOST_COUNTED}")
    return value


def baud(text: str) -> int:
    value = whole(text)
    if not 1 <= value <= MOST_BAUD:
        raise argparse.ArgumentTypeError(f"{text} is outside 1 to {MOST_BAUD}")
    return value


def number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number") from None


def share(text: str) -> float:
    value = number(text)
    if not 0.0 <= value <= 1.0:
        raise argparse.ArgumentTypeError(f"{text} is outside 0 to 1")
    return value


def bit_error_ratio(text: str) -> float:
    value = number(text)
    if not 0.0 <= value <= 0.5:
        raise argparse.ArgumentTypeError(f"{text} is outside 0 to 0.5")
    return value


def pace(text: str) -> float:
    """Hyperframes a second, or 0."""
    value = number(text)
    if value and not LEAST_HYPERFRAMES_PER_SECOND <= value <= MOST_HYPERFRAMES_PER_SECOND:
        raise argparse.ArgumentTypeError(
            f"{text} is outside {LEAST_HYPERFRAMES_PER_SECOND:g} to {MOST_HYPERFRAMES_PER_SECOND:g}"
            " hyperframes per second; 0 = as fast as possible"
        )
    return value


def refreshes(text: str) -> float:
    value = number(text)
    if not value > 0:
        raise argparse.ArgumentTypeError(f"{text} is not above 0")
    return value


def seconds(text: str) -> float:
    value = number(text)
    if not LEAST_SECONDS <= value <= MOST_SECONDS:
        raise argparse.ArgumentTypeError(f"{text} is outside {LEAST_SECONDS:g} to {MOST_SECONDS:g} seconds")
    return value


def file_name(text: str) -> str:
    if not text:
        raise argparse.ArgumentTypeError("the name is empty")
    return text
