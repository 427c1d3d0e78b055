"""Slow C&M both ways: ISO/IEC 13239 framing against a receiver written bit by bit, and every fault."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.cm_plane.hdlc import HdlcDecoder, HdlcFrame, fcs16
from decoders.cm_plane.hdlc_encoder import FlagJoin, HdlcDamage, HdlcEncoder, HdlcFill, SentHdlcFrame
from decoders.errors import LayoutError, SettingsError
from decoders.events import FrameStatus

FLAG = "01111110"
GOOD = FrameStatus.GOOD


def pack(bits: str, *, lsb_first: bool = True, fill: str = "1") -> bytes:
    """Bits in time order as control octets, the last one filled up."""
    bits += fill * (-len(bits) % 8)
    octets = [bits[i : i + 8] for i in range(0, len(bits), 8)]
    return bytes(int(octet[::-1] if lsb_first else octet, 2) for octet in octets)


def line_bits(octets: bytes) -> str:
    return "".join(f"{octet:08b}"[::-1] for octet in octets)


def stuffed(bits: str) -> str:
    out, ones = "", 0
    for bit in bits:
        out += bit
        ones = ones + 1 if bit == "1" else 0
        if ones == 5:
            out, ones = out + "0", 0
    return out


def with_fcs(data: bytes) -> bytes:
    """FCS by the bitwise definition: x^16+x^12+x^5+1 reflected, preset and complemented to ones."""
    register = 0xFFFF
    for octet in data:
        register ^= octet
        for _ in range(8):
            register = register >> 1 ^ (0x8408 if register & 1 else 0)
    return data + (register ^ 0xFFFF).to_bytes(2, "little")


def frame_bits(data: bytes) -> str:
    return stuffed(line_bits(with_fcs(data)))


def reference(bits: str, max_octets: int) -> list[HdlcFrame]:
    """A receiver with one bit a step; 'held' keeps the bits that may be the start of a delimiter."""
    frames: list[HdlcFrame] = []
    ones, zero_seen, content, raw = 0, False, None, 0
    for place, bit in enumerate(bits):
        raw += 1
        if bit == "1":
            ones += 1
            if content is not None:
                content += bit
            if ones == 7 and zero_seen:
                if content is not None and raw - 7 >= 8:
                    body = content[:-7]
                    frames.append(kept(FrameStatus.ABORT, to_octets(body), b"", place // 8, max_octets))
                content = None
            continue
        if ones == 6 and zero_seen:
            # The flag's own first zero is content too, unless it was dropped as a stuffed one.
            if content is not None and raw > 8:
                body = content[:-7] if content[-7:] == "0111111" else content[:-6]
                frames.append(judged(body, max_octets, place // 8))
            content, raw = "", 0
        elif content is not None and not (ones == 5 and zero_seen):
            content += bit
        ones, zero_seen = 0, True
    return frames


def to_octets(bits: str) -> bytes:
    return bytes(int(bits[i : i + 8][::-1], 2) for i in range(0, len(bits) - 7, 8))


def kept(status: FrameStatus, data: bytes, fcs: bytes, end_octet: int, max_octets: int) -> HdlcFrame:
    data, left_out = data[: 2 * max_octets], data[2 * max_octets :]
    return HdlcFrame(status, data, fcs, end_octet, len(left_out))


def judged(bits: str, max_octets: int, end_octet: int) -> HdlcFrame:
    octets = to_octets(bits)
    if len(bits) % 8:
        return kept(FrameStatus.UNALIGNED, octets, b"", end_octet, max_octets)
    if len(octets) < 4:
        data, fcs = (octets[:-2], octets[-2:]) if len(octets) > 1 else (octets, b"")
        return HdlcFrame(FrameStatus.TOO_SHORT, data, fcs, end_octet)
    if len(octets) > max_octets:
        return kept(FrameStatus.TOO_LONG, octets[:-2], octets[-2:], end_octet, max_octets)
    good = with_fcs(octets[:-2]) == octets
    return HdlcFrame(GOOD if good else FrameStatus.FCS, octets[:-2], octets[-2:], end_octet)


def chunks(octets: bytes, sizes: Iterable[int]) -> list[bytes]:
    out, at = [], 0
    for size in sizes:
        out.append(octets[at : at + size])
        at += size
    return [*out, octets[at:]]


def decoded(
    octets: bytes, sizes: Iterable[int] = (), *, lsb_first: bool = True, max_octets: int = 2048
) -> list[HdlcFrame]:
    decoder = HdlcDecoder(lsb_first=lsb_first, max_octets=max_octets)
    return [frame for part in chunks(octets, sizes) for frame in decoder.receive(part)]


def outcomes(frames: Iterable[HdlcFrame | SentHdlcFrame]) -> list[tuple[FrameStatus, bytes, bytes, int, int]]:
    return [(frame.status, frame.data, frame.fcs, frame.end_octet, frame.left_out) for frame in frames]


def statuses(bits: str, max_octets: int = 2048) -> list[str]:
    return [frame.status.value for frame in decoded(pack(bits), max_octets=max_octets)]


SIZES = st.lists(st.integers(0, 40), max_size=60)
ONES_RICH = st.lists(
    st.sampled_from(["0", "1", "11111", "111111", "1111111", FLAG, FLAG[1:], "111110", "0" * 9]), max_size=80
).map("".join)


@given(ONES_RICH, SIZES, st.booleans())
@settings(max_examples=400, derandomize=True, deadline=None)
def test_any_bits_agree_with_a_bitwise_receiver(bits: str, sizes: list[int], lsb_first: bool) -> None:
    octets = pack(bits, lsb_first=lsb_first, fill="0")
    padded = bits + "0" * (-len(bits) % 8)
    assert decoded(octets, sizes, lsb_first=lsb_first, max_octets=6) == reference(padded, 6)


def test_long_random_bits_agree_with_a_bitwise_receiver() -> None:
    octets = np.random.default_rng(5).integers(0, 256, 60_000, np.uint8).tobytes()
    expected = reference(line_bits(octets), 2048)
    assert len({frame.status for frame in expected}) >= 4
    assert decoded(octets) == expected
    assert decoded(octets, [1, 2, 16384, 5, 16383, 3]) == expected


DATA = st.one_of(
    st.binary(max_size=40), st.lists(st.sampled_from([0, 0x7E, 0xFF, 0xF8, 0x1F]), max_size=20).map(bytes)
)
DAMAGE = st.one_of(
    st.just(HdlcDamage()),
    st.integers(1, 0xFFFF).map(lambda xor: HdlcDamage(fcs_xor=xor)),
    st.just(HdlcDamage(abort_after_octets=2)),
    st.integers(1, 7).map(lambda bits: HdlcDamage(drop_bits=bits)),
    st.just(HdlcDamage(skip_stuffing=True)),
)
JOIN = st.sampled_from(FlagJoin)
QUEUE = st.lists(st.tuples(DATA, DAMAGE, JOIN, st.integers(0, 12)), max_size=15)


@given(QUEUE, SIZES, st.booleans(), st.sampled_from(HdlcFill))
@settings(max_examples=300, derandomize=True, deadline=None)
def test_what_is_sent_is_what_is_received(
    queue: list[tuple[bytes, HdlcDamage, FlagJoin, int]], sizes: list[int], lsb_first: bool, fill: HdlcFill
) -> None:
    encoder = HdlcEncoder(lsb_first=lsb_first, fill=fill, max_octets=30)
    coded, sent = encoder.take(1), []
    queued = 0
    for data, damage, join, take in queue:
        try:
            assert encoder.send(data, damage=damage, join=join) == queued
            queued += 1
        except LayoutError:
            assert damage.skip_stuffing
        coded += encoder.take(take)
        sent += encoder.sent()
    coded += encoder.take(encoder.pending_octets + 2)
    sent += encoder.sent()
    assert [frame.sequence for frame in sent] == list(range(queued))
    assert outcomes(decoded(coded, sizes, lsb_first=lsb_first, max_octets=30)) == outcomes(sent)
    assert encoder.sent() == []


@given(QUEUE, SIZES)
@settings(derandomize=True, deadline=None)
def test_how_the_octets_are_taken_changes_nothing(
    queue: list[tuple[bytes, HdlcDamage, FlagJoin, int]], sizes: list[int]
) -> None:
    whole, parts = HdlcEncoder(), HdlcEncoder()
    for data, _, join, _ in queue:
        for encoder in (whole, parts):
            encoder.send(data, join=join)
    assert b"".join(map(parts.take, sizes)) == whole.take(sum(sizes))
    assert parts.sent() == whole.sent()


DAMAGES = [
    (HdlcDamage(), b"\x03\x41\x00", GOOD),
    (HdlcDamage(fcs_xor=0x8000), b"\x03\x41\x00", FrameStatus.FCS),
    (HdlcDamage(abort_after_octets=2), b"\x03\x41\x00", FrameStatus.ABORT),
    (HdlcDamage(abort_after_octets=3), b"\x03\x41\xff", FrameStatus.ABORT),
    (HdlcDamage(abort_after_octets=2), b"\xff\xf8\x00", FrameStatus.ABORT),
    *((HdlcDamage(drop_bits=bits), b"\x03\x41\x00", FrameStatus.UNALIGNED) for bits in range(1, 8)),
    (HdlcDamage(skip_stuffing=True), b"\x03\x3e\x00", FrameStatus.UNALIGNED),
    (HdlcDamage(skip_stuffing=True), b"\x03\x00\xfe\x00", FrameStatus.ABORT),
    (HdlcDamage(), b"\x03", FrameStatus.TOO_SHORT),
    (HdlcDamage(), b"", FrameStatus.TOO_SHORT),
    (HdlcDamage(), bytes(2047), FrameStatus.TOO_LONG),
    (HdlcDamage(), bytes(2046), GOOD),
    (HdlcDamage(), b"\x03\x41", GOOD),
]


@pytest.mark.parametrize(("damage", "data", "status"), DAMAGES)
@pytest.mark.parametrize("fill", HdlcFill)
@pytest.mark.parametrize("join", FlagJoin)
def test_damage_shows_once_and_spares_its_neighbours(
    damage: HdlcDamage, data: bytes, status: FrameStatus, fill: HdlcFill, join: FlagJoin
) -> None:
    encoder = HdlcEncoder(fill=fill)
    for frame, what in ((b"before", HdlcDamage()), (data, damage), (b"behind", HdlcDamage())):
        encoder.send(frame, damage=what, join=join)
    frames = decoded(encoder.take(encoder.pending_octets + 8))
    assert [frame.status for frame in frames] == [GOOD, status, GOOD]
    assert [frames[0].data, frames[2].data] == [b"before", b"behind"]


def test_damage_that_cannot_be_is_refused() -> None:
    for wrong in ({"drop_bits": 8}, {"drop_bits": -1}, {"fcs_xor": 1 << 16}, {"abort_after_octets": 1}):
        with pytest.raises(SettingsError):
            HdlcDamage(**wrong)  # type: ignore[arg-type]
    with pytest.raises(SettingsError, match="one damage"):
        HdlcDamage(fcs_xor=1, drop_bits=1)
    encoder = HdlcEncoder()
    with pytest.raises(LayoutError, match="abort after 6 octets"):
        encoder.send(b"abc", damage=HdlcDamage(abort_after_octets=6))
    with pytest.raises(LayoutError, match="no stuffing zero"):
        encoder.send(b"\x00\x00", damage=HdlcDamage(skip_stuffing=True))
    with pytest.raises(SettingsError):
        encoder.take(-1)
    assert encoder.take(3) == b"~~~"


def test_caller_mistakes_at_the_receiver_are_refused() -> None:
    with pytest.raises(SettingsError):
        HdlcDecoder(max_octets=3)
    for wrong in (np.zeros(4, np.uint16), np.zeros((2, 2), np.uint8)):
        with pytest.raises(LayoutError):
            HdlcDecoder().receive(wrong)  # type: ignore[arg-type]


DATA_3 = [b"\x01\x02 first", b"\x01\x04\xff\xff\xff", b"\x01\x06\x7e\x7e"]


@pytest.mark.parametrize("phase", range(8))
@pytest.mark.parametrize("lead", ["0", "1", "01"])
def test_every_bit_phase(phase: int, lead: str) -> None:
    bits = (lead * 8)[:phase] + "".join(FLAG + frame_bits(data) for data in DATA_3) + FLAG
    assert [frame.data for frame in decoded(pack(bits))] == DATA_3


def test_start_in_a_frame_says_nothing_of_the_missed_part() -> None:
    first, second = b"\x01\x02" + b"\xff\x00" * 20, b"\x01\x04 next"
    bits = FLAG + frame_bits(first) + FLAG + frame_bits(second) + FLAG
    for cut in range(1, len(FLAG + frame_bits(first)) + 1):
        frames = decoded(pack(bits[cut:]))
        assert [(frame.status, frame.data) for frame in frames] == [(GOOD, second)], cut


def test_start_in_idle_ones_is_no_abort() -> None:
    assert statuses("1" * 40 + FLAG + frame_bits(b"ab") + FLAG) == ["good"]
    assert statuses("0" + "1" * 40 + FLAG + frame_bits(b"ab") + FLAG) == ["good"]


@pytest.mark.parametrize(
    ("between", "count"), [(FLAG, 2), (FLAG[:-1] + FLAG, 2), (FLAG * 2, 2), (FLAG + "1" * 15 + FLAG, 2)]
)
def test_flags_shared_sharing_a_zero_back_to_back_or_idle(between: str, count: int) -> None:
    one = frame_bits(b"\x01\x02\x03")
    frames = decoded(pack(FLAG + one + between + one + FLAG))
    assert [(frame.status, frame.data) for frame in frames] == [(GOOD, b"\x01\x02\x03")] * count


def test_joins_put_the_flags_the_standard_allows() -> None:
    for join, between in (
        (FlagJoin.SEPARATE, FLAG + FLAG),
        (FlagJoin.SHARED, FLAG),
        (FlagJoin.SHARED_ZERO, "011111101111110"),
    ):
        encoder = HdlcEncoder()
        for _ in range(2):
            encoder.send(b"ab", join=join)
        bits = FLAG + frame_bits(b"ab") + between + frame_bits(b"ab") + FLAG
        assert line_bits(encoder.take(20)).startswith(bits)


def test_ones_fill_is_idle_and_then_a_flag() -> None:
    encoder = HdlcEncoder(fill=HdlcFill.ONES)
    encoder.send(b"ab")
    first = len(FLAG + frame_bits(b"ab") + FLAG)
    bits = line_bits(encoder.take(first // 8 + 1))  # idle begins within the last octet
    encoder.send(b"cd")
    bits += line_bits(encoder.take(20))
    assert bits[first : first + 15] == "1" * 15
    assert bits[first + 15 :].startswith(FLAG + frame_bits(b"cd") + FLAG)


@pytest.mark.parametrize(
    ("bits", "expected"),
    [
        (FLAG + "1" * 30 + FLAG, []),
        (FLAG + "0" * 7 + "1" * 7 + "0", []),
        (FLAG + "0" * 8 + "1" * 7 + "0", ["abort"]),
        (FLAG + "0" * 8 + "1" * 60 + "0" + "1" * 30 + "0", ["abort"]),
        (FLAG + "0" * 20 + "1" * 15 + "0" * 20 + FLAG, ["abort"]),
        (FLAG + "0" + FLAG, ["unaligned"]),
        (FLAG + "0" * 7 + FLAG, ["unaligned"]),
        (FLAG + "0" * 8 + FLAG, ["too_short"]),
        (FLAG + "0" * 24 + FLAG, ["too_short"]),
        (FLAG + "0" * 25 + FLAG, ["unaligned"]),
        (FLAG + "0" * 32 + FLAG, ["fcs"]),
        (FLAG + "0" * 48 + FLAG, ["fcs"]),
        (FLAG + "0" * 56 + FLAG, ["too_long"]),
        (FLAG + "0" * 57 + FLAG, ["unaligned"]),
        (FLAG + "0" * 57 + "1" * 7, ["abort"]),
    ],
)
def test_one_heading_by_precedence(bits: str, expected: list[str]) -> None:
    assert statuses(bits, max_octets=6) == expected


def test_faults_of_a_sender_made_by_hand() -> None:
    data = b"\x01\x02\x1f\x00"
    good, octets = frame_bits(data), with_fcs(data)
    reversed_fcs = octets[:-2] + bytes(int(f"{octet:08b}"[::-1], 2) for octet in octets[-2:])
    assert statuses(FLAG + good + FLAG) == ["good"]
    assert statuses(FLAG + stuffed(line_bits(reversed_fcs)) + FLAG) == ["fcs"]
    assert statuses(FLAG + stuffed(line_bits(octets[:-2] + octets[:-3:-1])) + FLAG) == ["fcs"]
    assert statuses(FLAG + good.replace("11110", "111100", 1) + FLAG) == ["unaligned"]
    four = stuffed(line_bits(octets).replace("1111", "11110", 1))
    assert statuses(FLAG + four + FLAG) == ["unaligned"]
    assert statuses(FLAG + stuffed(line_bits(octets + octets)) + FLAG) == ["fcs"]  # the flag between was lost
    assert all(status != "good" for status in statuses(line_bits(pack(FLAG + good + FLAG, lsb_first=False))))


def test_msb_first_is_the_same_bits_the_other_way_round() -> None:
    bits = FLAG + frame_bits(b"\x01\x02\x03") + FLAG
    assert [frame.data for frame in decoded(pack(bits, lsb_first=False), lsb_first=False)] == [
        b"\x01\x02\x03"
    ]
    for frames in (decoded(pack(bits, lsb_first=False)), decoded(pack(bits), lsb_first=False)):
        assert all(frame.status is not GOOD for frame in frames)


def test_one_flipped_bit_is_one_bad_frame_or_two_halves() -> None:
    data = bytes(range(40))
    bits = FLAG + frame_bits(data) + FLAG
    for place in range(8, len(bits) - 8):
        flipped = bits[:place] + str(1 - int(bits[place])) + bits[place + 1 :]
        found = statuses(flipped + FLAG + frame_bits(b"next") + FLAG)
        assert found[-1] == "good"
        assert 1 <= len(found) - 1 <= 2
        assert "good" not in found[:-1]


def test_end_octet_counts_over_calls_and_from_reset() -> None:
    octets = pack(FLAG + frame_bits(b"ab") + FLAG)
    decoder = HdlcDecoder()
    last = len(FLAG + frame_bits(b"ab") + FLAG) - 1
    assert [frame.end_octet for frame in decoder.receive(octets)] == [last // 8]
    decoder.receive(b"\xff" * 3)
    assert [frame.end_octet for frame in decoder.receive(octets)] == [len(octets) + 3 + last // 8]
    decoder.reset()
    assert [frame.end_octet for frame in decoder.receive(octets)] == [last // 8]


def test_reset_tells_whether_a_frame_was_cut() -> None:
    decoder = HdlcDecoder()
    assert not decoder.reset()
    for octets, cut in (
        (b"\x00\x01\x02", False),  # no flag yet
        (b"\x7e\x7e\x7e", False),
        (pack(FLAG * 3 + FLAG[:7] + "0"), False),
        (b"\x7e\xff\xff", False),
        (b"\x7e\x01", True),
        (pack(FLAG + frame_bits(b"ab")[:30]), True),
        (b"\x7e\x01\xff\xff", False),  # aborted before
    ):
        decoder.receive(octets)
        assert decoder.in_frame is cut, octets
        assert decoder.reset() is cut
        assert not decoder.in_frame
    decoder.receive(pack(FLAG + frame_bits(b"cut frame"))[:6])
    decoder.reset()
    assert decoder.receive(pack(frame_bits(b"rest") + FLAG + frame_bits(b"whole") + FLAG)) == decoded(
        pack(frame_bits(b"rest") + FLAG + frame_bits(b"whole") + FLAG)
    )


def test_a_frame_without_end_keeps_memory_bounded() -> None:
    decoder = HdlcDecoder(max_octets=64)
    decoder.receive(b"\x7e" + bytes(range(31)))  # no five ones yet
    noise = bytes(65536)
    decoder.receive(noise)
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        for _ in range(100):
            assert decoder.receive(noise) == []
        assert tracemalloc.get_traced_memory()[0] - before < 16_384
    finally:
        tracemalloc.stop()
    (frame,) = decoder.receive(b"\x12\x34\x7e")
    assert (frame.status, frame.fcs) == (FrameStatus.TOO_LONG, b"\x12\x34")
    assert frame.data == bytes(range(31)) + bytes(97)
    assert frame.length == 31 + 101 * 65536 + 2
    assert [frame.data for frame in decoder.receive(pack(FLAG + frame_bits(b"ab") + FLAG))] == [b"ab"]


@given(st.integers(1, 20_000), SIZES, st.sampled_from(("good", "abort", "unaligned")))
@settings(max_examples=30, derandomize=True, deadline=None)
def test_any_length_is_told_as_the_sender_counts_it(n: int, sizes: list[int], how: str) -> None:
    damage = {
        "good": HdlcDamage(),
        "abort": HdlcDamage(abort_after_octets=n + 1),
        "unaligned": HdlcDamage(drop_bits=5),
    }[how]
    encoder = HdlcEncoder()
    data = np.random.default_rng(n).integers(0, 0x7C, n, np.uint8).tobytes()
    encoder.send(data, damage=damage)
    octets = encoder.take(encoder.pending_octets + 4)
    (frame,) = decoded(octets, sizes)
    assert outcomes([frame]) == outcomes(encoder.sent())
    whole = n + 2 - (how != "good")
    assert frame.length in (
        (whole, whole - 1) if how == "abort" else (whole,)
    )  # ones before seven ones are theirs
    assert data.startswith(frame.data[:n])


def test_arrays_and_bytes_are_the_same_and_stay_untouched() -> None:
    octets = pack(FLAG + frame_bits(b"abc") + FLAG)
    array = np.frombuffer(octets, np.uint8).copy()
    strided = np.repeat(array, 2)[::2]
    assert HdlcDecoder().receive(array) == HdlcDecoder().receive(strided) == HdlcDecoder().receive(octets)
    decoder = HdlcDecoder()
    reused = np.empty(1, np.uint8)
    frames = []
    for octet in octets:
        reused[0] = octet  # a caller may use its buffer again
        frames += decoder.receive(reused)
    assert array.tobytes() == octets
    assert frames == decoded(octets)


def test_pending_octets_falls_to_nothing() -> None:
    encoder = HdlcEncoder()
    assert encoder.pending_octets == 0
    encoder.send(bytes(64))
    pending = encoder.pending_octets
    assert 64 + 2 + 2 <= pending <= 64 + 2 + 3
    encoder.take(pending)
    assert encoder.pending_octets <= 1
    assert len(encoder.sent()) == 1


def test_fcs_matches_the_bitwise_definition() -> None:
    data = bytes(range(256)) * 3
    for length in (0, 1, 2, 7, 255, 768):
        assert data[:length] + fcs16(data[:length]).to_bytes(2, "little") == with_fcs(data[:length])
