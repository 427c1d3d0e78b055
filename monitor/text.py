"""Words that reports, commands and the screen have in common."""

from __future__ import annotations

__all__ = ["breaks_text", "counted", "inert"]


def inert(text: str) -> str:
    """Names of files may hold anything; only printable characters may reach a terminal."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "replace").decode() for c in text)


def counted(count: int, noun: str, plural: str = "") -> str:
    """A number and its noun: `1 fault`, `2 faults`, `0 losses of sync`; `plural` where an s does not make it."""
    return f"{count} {noun if count == 1 else plural or noun + 's'}"


def breaks_text(count: int) -> str:
    """Where hyperframes were not received and nobody knows how many."""
    return counted(count, "break of unknown length", "breaks of unknown length")
