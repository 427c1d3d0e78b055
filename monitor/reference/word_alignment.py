"""Where the words of a stream of line bits begin, found by the sync byte alone.

IEEE 802.3 clause 36.2.4.9: the comma gives the boundary. A phase is taken when K28.5 stands in it and again one
hyperframe later; it is given up when a hyperframe has as many code errors as a loss of signal takes (CPRI V7.0
clause 4.2.10.2), and from there on another is looked for.
"""

from __future__ import annotations

from decoders.linerates import option_named

from .line_code import Characters, decode_symbols

__all__ = ["aligned_characters"]

_K28_5 = ("0011111010", "1100000101")
_TOO_MANY = 16


def aligned_characters(data: bytes, option: str) -> tuple[Characters, int]:
    """All characters of a stream (packed bits, first in bit 0) and how often the phase changed after the first.

    The first is the first sync byte; without any the bits are taken as they stand.
    """
    bits = bin(int.from_bytes(data + b"\x01", "little"))[:2:-1]
    words = option_named(option).hyperframe_octets
    start = _phase(bits, 0, 10 * words)
    octets, flags, changes = bytearray(), bytearray(), 0
    at = start or 0
    while at + 10 <= len(bits):
        symbols = [int(bits[i : i + 10][::-1], 2) for i in range(at, len(bits) - 9, 10)]
        decoded = Characters.from_tuples(decode_symbols(symbols))
        end, other = _given_up(decoded, bits, at, words)
        octets += decoded.octets[:end]
        flags += decoded.flags[:end]
        if other is None:
            break
        # What went by without alignment stands for its time.
        idle = (other - at) // 10 - end
        octets += bytes(idle)
        flags += bytes(idle)
        changes, at = changes + 1, other
    return Characters(bytes(octets), bytes(flags)), changes


def _phase(bits: str, start: int, hyperframe_bits: int) -> int | None:
    """The first sync byte from bit `start` on that has another one hyperframe later."""
    found = sorted(_places(bits, start))
    known = set(found)
    return next((at for at in found if at + hyperframe_bits in known), None)


def _places(bits: str, start: int) -> set[int]:
    out = set()
    for word in _K28_5:
        at = bits.find(word, start)
        while at >= 0:
            out.add(at)
            at = bits.find(word, at + 1)
    return out


def _given_up(decoded: Characters, bits: str, at: int, words: int) -> tuple[int, int | None]:
    """How many characters hold, and the bit at which another phase begins, if any does.

    A hyperframe with too many errors still counts as received in the phase that is given up.
    """
    for first in range(0, len(decoded.flags) - words + 1, words):
        window = decoded.flags[first : first + words]
        if sum(window.count(value) for value in range(2, 8)) < _TOO_MANY:
            continue
        other = _phase(bits, at + 10 * (first + words), 10 * words)
        if other is not None and (other - at) % 10:
            return first + words, other
    return len(decoded.flags), None
