"""Seeded damage to octets and to texts: what a cable, an editor or somebody with bad intent would do."""

from __future__ import annotations

import random
import re
import zlib
from collections.abc import Sequence

from monitor.formats.ffcap import HEADER_LENGTH, MARKER, RECORD_CRC, RECORD_HEAD

__all__ = ["mutated", "mutated_capture", "mutated_text"]

_NUMBERS = (
    0,
    1,
    0x7F,
    0x80,
    0xFF,
    0x7FFF,
    0x8000,
    0xFFFF,
    2**31 - 1,
    2**31,
    2**32 - 1,
    2**63 - 1,
    2**63,
    2**64 - 1,
)
_TEXTS = (
    *'=[]{},:@#xzb"\n\0\u202e\ufeff',
    *("-1", "0", "9" * 20, "9" * 5000, "1e400", "nan", "-inf", "0x10", "true", "'''", "[["),
    *("\x1b[31m", "a" * 3000, "\\u0000", "$end", "$scope"),
)
_WORD = re.compile(rb"[\w.+-]+|\s+|[^\w\s]")


def mutated(rng: random.Random, seed: bytes, others: Sequence[bytes] = (), most: int = 1 << 19) -> bytes:
    """One to eight changes of octets, bits, runs, numbers, length, or a part of another one of the seeds."""
    octets = bytearray(seed)
    for _ in range(rng.choice((1, 1, 2, 3, 8))):
        at = rng.randrange(len(octets) + 1)
        size = rng.choice((1, 2, 4, 9, 40, 1000))
        match rng.randrange(9):
            case 0:
                octets[at : at + 1] = bytes([rng.randrange(256)])
            case 1 if octets:
                octets[at % len(octets)] ^= 1 << rng.randrange(8)
            case 2:
                del octets[at : at + size]
            case 3:
                octets[at:at] = octets[at : at + size] * rng.choice((1, 2, 50))
            case 4:
                octets[at:at] = rng.randbytes(size)
            case 5:
                number, width = rng.choice(_NUMBERS), rng.choice((1, 2, 4, 8))
                little = (number % (1 << 8 * width)).to_bytes(width, "little")
                octets[at : at + width] = little
            case 6:
                del octets[at:]
            case 7:
                octets[at : at + size] = bytes([rng.choice((0, 0xFF, 0xBC, 0x7E, 0x55))]) * size
            case 8 if others:
                other = rng.choice(others)
                cut = rng.randrange(len(other) + 1)
                octets[at:] = other[cut:]
    return bytes(octets[:most])


def mutated_text(rng: random.Random, seed: bytes, others: Sequence[bytes] = (), most: int = 1 << 16) -> bytes:
    """The same by words: replaced, doubled, taken out, exchanged; now and then by octets."""
    if rng.random() < 0.25:
        return mutated(rng, seed, others, most)
    words = _WORD.findall(seed) or [b""]
    for _ in range(rng.choice((1, 1, 2, 4))):
        at = rng.randrange(len(words))
        match rng.randrange(5):
            case 0 | 1:
                words[at] = rng.choice(_TEXTS).encode("utf-8", "surrogatepass")
            case 2:
                words[at:at] = words[at : at + rng.choice((1, 5, 40))]
            case 3:
                del words[at : at + rng.choice((1, 2, 10))]
                words = words or [b""]
            case 4:
                words[at] = rng.choice(words)
    return b"".join(words)[:most]


def mutated_capture(
    rng: random.Random, seed: bytes, others: Sequence[bytes] = (), most: int = 1 << 18
) -> bytes:
    """An .ffcap whose check sequences are right, though what they cover is damaged; or any octets changed."""
    if rng.random() < 0.3:
        return mutated(rng, seed, others, most)
    out = bytearray(
        _mended_header(mutated(rng, seed[:HEADER_LENGTH]) if rng.random() < 0.2 else seed[:HEADER_LENGTH])
    )
    records = _records(seed)
    for _ in range(rng.choice((1, 2, 6))):
        if not records:
            break
        at = rng.randrange(len(records))
        head, payload = records[at]
        match rng.randrange(6):
            case 0:
                records[at] = (mutated(rng, head)[: len(head)].ljust(len(head), b"\0"), payload)
            case 1 | 2:
                records[at] = (head, mutated(rng, payload, [p for _, p in records]))
            case 3:
                del records[at]
            case 4:
                records.insert(rng.randrange(len(records) + 1), records[at])
            case 5:
                kind = rng.choice((1, 2, 3, 4, 16, 17, 18, 19, 20, rng.randrange(256)))
                records[at] = (head[:4] + bytes([kind]) + head[5:], payload)
    for head, payload in records:
        out += _record(head, payload)
    return bytes(out[: 4 * most])


def _mended_header(header: bytes) -> bytes:
    body = header[: HEADER_LENGTH - RECORD_CRC.size].ljust(HEADER_LENGTH - RECORD_CRC.size, b"\0")
    return body + RECORD_CRC.pack(zlib.crc32(body))


def _records(capture: bytes) -> list[tuple[bytes, bytes]]:
    """(head, payload) of each record of a good capture."""
    found, at = [], HEADER_LENGTH
    while capture[at : at + len(MARKER)] == MARKER:
        length = RECORD_HEAD.unpack_from(capture, at)[4]
        end = at + RECORD_HEAD.size + length
        found.append((capture[at : at + RECORD_HEAD.size], capture[at + RECORD_HEAD.size : end]))
        at = end + RECORD_CRC.size
    return found


def _record(head: bytes, payload: bytes) -> bytes:
    """A whole record with its length and both check sequences set right."""
    body = bytearray(head)
    body[:4] = MARKER
    body[8:12] = len(payload).to_bytes(4, "little")
    body[24:28] = zlib.crc32(bytes(body[:24])).to_bytes(4, "little")
    whole = bytes(body) + payload
    return whole + RECORD_CRC.pack(zlib.crc32(whole))
