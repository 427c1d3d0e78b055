"""Words that reports, commands and the screen have in common, and the one escape for text of others.

A name, a line of log or a file name may hold anything: escape sequences, C1 controls, controls that turn the
direction of text around, halves of surrogate pairs. On its way out, to a terminal, a report, a log or a file
name, it goes through `inert` (`inert_values` for a whole record); JSON goes through `json_text`.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

__all__ = ["counted", "gaps_text", "inert", "inert_values", "json_lines", "json_text"]


def inert(text: str) -> str:
    """`text` with printable characters (°, ü) as they are, and every other one as an escape such as `\\x1b`.

    What is printable says the Unicode database: no control (C0, C1), no format or bidirectional control, no line
    or paragraph separator, no surrogate, nothing private or unassigned; of the spaces only U+0020 is.
    """
    if text.isprintable():
        return text
    return text.translate(_ESCAPES)


class _Escapes(dict[int, str]):
    """For str.translate: each character as itself or as its escape; those below U+3000 are kept once found."""

    def __missing__(self, code: int) -> str:
        character = chr(code)
        if not character.isprintable():
            character = character.encode("unicode_escape", "replace").decode()
        if code < 0x3000:
            self[code] = character
        return character


_ESCAPES = _Escapes()


def inert_values(value: Any) -> Any:
    """A record of dicts, lists and tuples with every text in it inert, keys too."""
    if isinstance(value, str):
        return inert(value)
    if isinstance(value, dict):
        return {inert_values(key): inert_values(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [inert_values(each) for each in value]
    return value


def json_text(record: Any, *, indent: int | None = None) -> str:
    """A record as JSON: every text whole, with `\\uXXXX` for what `inert` escapes. One line unless `indent`."""
    import msgspec.json

    try:
        octets = msgspec.json.encode(record)
    except UnicodeEncodeError:  # half a surrogate pair, of a file name that is no UTF-8
        import json

        text = json.dumps(msgspec.to_builtins(record), indent=indent)
    else:
        text = (octets if indent is None else msgspec.json.format(octets, indent=indent)).decode()
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c == "\n" else _escaped(c) for c in text)


def json_lines(records: Iterable[Any]) -> bytes:
    """JSON Lines of many records, as `json_text` gives each."""
    import msgspec.json

    kept, encode = list(records), msgspec.json.Encoder().encode
    try:
        octets = b"".join(encode(record) + b"\n" for record in kept)
    except UnicodeEncodeError:
        octets = b"\x7f"
    if octets.isascii() and b"\x7f" not in octets:
        return octets
    return "".join(f"{json_text(record)}\n" for record in kept).encode()


def _escaped(character: str) -> str:
    """`\\uXXXX`, two of them above U+FFFF."""
    octets = character.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{octets[i : i + 2].hex()}" for i in range(0, len(octets), 2))


def counted(count: int, noun: str, plural: str = "") -> str:
    """A number and its noun: `1 fault`, `2 faults`, `0 losses of sync`; `plural` where an s does not make it."""
    return f"{count} {noun if count == 1 else plural or noun + 's'}"


def gaps_text(count: int) -> str:
    """Where hyperframes are missing and their number is not known."""
    return counted(count, "gap of unknown length", "gaps of unknown length")
