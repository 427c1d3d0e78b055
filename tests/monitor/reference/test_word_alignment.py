"""Word alignment of the second receiver, on line bits encoded by encdec8b10b (PyPI; its bit a is bit 0)."""

from __future__ import annotations

from encdec8b10b import EncDec8B10B  # type: ignore[import-untyped]

from monitor.reference.word_alignment import aligned_characters

D21_5 = "1010101010"


def hyperframes(count: int) -> str:
    """Option 1: K28.5 and 4095 octets that count up, `count` times."""
    bits, disparity = [], 0
    for number in range(4096 * count):
        octet, k = (0xBC, 1) if number % 4096 == 0 else (number % 251, 0)
        disparity, symbol = EncDec8B10B.enc_8b10b(octet, disparity, k)
        bits.append(f"{symbol:010b}"[::-1])
    return "".join(bits)


def packed(bits: str) -> bytes:
    bits += "0" * (-len(bits) % 8)
    return bytes(int(bits[i : i + 8][::-1], 2) for i in range(0, len(bits), 8))


def test_the_first_of_two_sync_bytes_is_the_first_character() -> None:
    three = hyperframes(3)
    for lead in (0, 1, 3, 7, 9):
        line = "01010101010101"[:lead] + three
        found, changes = aligned_characters(packed(line), "1")
        assert changes == 0
        assert [i for i, flags in enumerate(found.flags) if flags & 1] == [0, 4096, 8192]
        assert found.octets[:3] == b"\xbc\x01\x02"
        assert not any(flags & 6 for flags in found.flags)


def test_a_slip_is_followed_after_the_hyperframe_with_errors() -> None:
    found, changes = aligned_characters(packed(hyperframes(3) + "1" + hyperframes(3)), "1")
    assert changes == 1
    k28_5 = [i for i, (octet, flags) in enumerate(zip(found.octets, found.flags, strict=True))
             if octet == 0xBC and flags & 1]  # fmt: skip
    assert {4096 * i for i in (0, 1, 2, 4, 5)} <= set(k28_5)
    errors = [sum(bool(flags & 6) for flags in found.flags[i : i + 4096]) for i in range(0, 6 * 4096, 4096)]
    assert errors[3] >= 16
    assert sum(errors) - errors[3] <= 1  # the running disparity is taken from the first word


def test_bits_without_any_sync_byte_are_taken_as_they_stand() -> None:
    found, changes = aligned_characters(packed(D21_5 * 400), "1")
    assert (len(found.octets), changes) == (400, 0)
    assert set(found.octets) == {0xB5}
