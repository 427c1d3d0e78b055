"""What a SOURCE word means, told from the word alone: nothing is opened."""

from __future__ import annotations

import os
import re
import sys
from dataclasses import dataclass
from enum import StrEnum

from ..errors import InputError

__all__ = [
    "CHAIN",
    "Segment",
    "SourceKind",
    "chain_point",
    "check_emulated",
    "is_chain",
    "is_emulated",
    "is_node_name",
    "is_pair",
    "is_serial",
    "line_meant",
    "named_source",
    "source_kind",
]

_NAME = r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}"

_EMULATED = {"emulated": False, "emulated:pair": True}
"""The emulated links, and whether they have two boards."""
CHAIN = "emulated:chain"
"""The emulated chain; a point of it follows behind a stroke."""


class SourceKind(StrEnum):
    EMULATED = "emulated"
    LINE = "line"
    """A serial device or URL, with a board or a dump of line data behind it."""
    CAPTURE = "capture"
    """A file, a pipe, or - for standard input."""


def source_kind(text: str) -> SourceKind:
    """The kind of source that a word names."""
    if is_emulated(text):
        return SourceKind.EMULATED
    return SourceKind.LINE if is_serial(text) else SourceKind.CAPTURE


def is_emulated(text: str) -> bool:
    """Whether a source is an emulated link, of a kind that exists or not (`is_pair` tells)."""
    return text == "emulated" or text.startswith("emulated:")


def is_pair(text: str) -> bool:
    """Whether an emulated link has two boards; InputError for a kind that does not exist."""
    if is_chain(text):
        raise InputError(f"{text} is a chain of links", hint=f"use {' or '.join(_EMULATED)} here")
    if text not in _EMULATED:
        raise InputError(
            f"source {text!r} does not exist",
            hint=f"use {' or '.join(_EMULATED)}, or {CHAIN} to read a chain",
        )
    return _EMULATED[text]


def is_chain(text: str) -> bool:
    """Whether a source is a point of the emulated chain."""
    return text == CHAIN or text.startswith(f"{CHAIN}/")


def check_emulated(text: str) -> None:
    """InputError for an emulated link, or a point of the chain, that cannot exist."""
    if is_chain(text):
        chain_point(text)
    else:
        is_pair(text)


def chain_point(text: str) -> Segment | None:
    """The point of `emulated:chain/SENDER>RECEIVER`, None for the chain alone; InputError for anything else."""
    point = text.removeprefix(CHAIN)
    return Segment.parse(point[1:]) if point else None


def is_serial(text: str) -> bool:
    """Whether a source is a serial device or a URL, and not a file."""
    if "://" in text:
        return True
    if sys.platform == "win32":
        return re.fullmatch(r"(\\\\\.\\)?COM\d+", text, re.IGNORECASE) is not None
    return os.path.realpath(text).startswith(("/dev/tty", "/dev/pts/", "/dev/cu."))


def line_meant(text: str) -> str | None:
    """The URL of a line that was meant by a bare HOST:PORT, unless there is such a file."""
    bare = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9.-]+):\d{1,5}", text)
    return f"socket://{text}" if bare and not os.path.lexists(text) else None


def named_source(text: str) -> tuple[str | None, str]:
    """The name and the SOURCE of `NAME=SOURCE`; no name where the word is a SOURCE alone, or a file that exists."""
    named = re.match(rf"({_NAME})=(?=.)", text)
    if named is None or os.path.lexists(text):
        return None, text
    return named[1], text[named.end() :]


def is_node_name(text: str) -> bool:
    """Whether a node of a site may have this name."""
    return re.fullmatch(_NAME, text) is not None


@dataclass(frozen=True, slots=True)
class Segment:
    """One direction of the line between two nodes of a site: what `receiver` gets from `sender`."""

    sender: str
    receiver: str

    @property
    def name(self) -> str:
        """`SENDER>RECEIVER`, as in `segment=RE-1>RE-2`."""
        return f"{self.sender}>{self.receiver}"

    @property
    def reverse(self) -> Segment:
        return Segment(self.receiver, self.sender)

    @classmethod
    def parse(cls, text: str) -> Segment:
        """The segment `SENDER>RECEIVER`; InputError for anything else."""
        ends = re.fullmatch(rf"({_NAME})>({_NAME})", text)
        if ends is None or ends[1] == ends[2]:
            raise InputError(
                f"segment {text!r} is not SENDER>RECEIVER", hint="for example RE-1>RE-2, in quotes"
            )
        return cls(ends[1], ends[2])
