"""Fast C&M Ethernet over 4B/5B: round trips, every fault under its one heading, any phase and chunking."""

from __future__ import annotations

import itertools
import tracemalloc
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.cm_plane.code_4b5b import DATA_GROUPS, ERROR_GROUP, INVALID_GROUPS
from decoders.cm_plane.ethernet import EthernetDecoder, EthernetFrame
from decoders.cm_plane.ethernet_encoder import EthernetDamage, EthernetEncoder
from decoders.errors import SettingsError
from decoders.events import FrameStatus as S

IDLE, J, K, T, R, H = "11111", "11000", "10001", "01101", "00111", "00100"
DATA = [f"{group:05b}" for group in DATA_GROUPS]
INVALID = [f"{group:05b}" for group in INVALID_GROUPS]
PREAMBLE = DATA[5] * 13 + DATA[0xD]


def pack(bits: str, msb_first: bool = False) -> bytes:
    """Bits in order of time -> control octets, filled up with idle."""
    array = np.frombuffer((bits + "1" * (-len(bits) % 8)).encode(), np.uint8) - ord("0")
    return np.packbits(array, bitorder="big" if msb_first else "little").tobytes()


def unpack(octets: bytes) -> str:
    return "".join(f"{octet:08b}"[::-1] for octet in octets)


def nibbles(octets: bytes) -> str:
    return "".join(DATA[o & 15] + DATA[o >> 4] for o in octets)


def with_fcs(data: bytes) -> bytes:
    return data + zlib.crc32(data).to_bytes(4, "little")


def frame_bits(data: bytes) -> str:
    return J + K + PREAMBLE + nibbles(with_fcs(data)) + T + R


def payload(n: int, seed: int = 7) -> bytes:
    """n octets, DA onwards, that are no tagged frame."""
    octets = bytearray(np.random.default_rng(seed).integers(0, 256, n, dtype=np.uint8).tobytes())
    octets[12:14] = b"\x88\xb5"[: max(0, n - 12)]
    return bytes(octets[:n])


def receive(octets: bytes, sizes: list[int] | None = None, **kwargs: object) -> list[EthernetFrame]:
    decoder = EthernetDecoder(**kwargs)  # type: ignore[arg-type]
    frames: list[EthernetFrame] = []
    at = 0
    for size in itertools.cycle(sizes or [max(1, len(octets))]):
        if at >= len(octets):
            return frames
        frames += decoder.receive(octets[at : at + size])
        at += size
    return frames


def statuses(octets: bytes, **kwargs: object) -> list[S]:
    return [frame.status for frame in receive(octets, **kwargs)]


def reference(bits: str, least: int, most: int) -> list[EthernetFrame]:
    """The receiver again, one group at a time over a string of bits."""
    keep = 2 * most + 8
    frames = []
    pos = 0
    hunting = True
    while True:
        if hunting:
            found = bits.find("1" * 10, pos)
            if found < 0:
                return frames
            pos = found + 10
        zero = bits.find("0", pos)
        if zero < 0 or zero + 8 > len(bits):
            return frames
        run = len(bits[:zero]) - len(bits[:zero].rstrip("1"))
        if run < 7 or bits[zero : zero + 8] != "00010001":
            frames.append(EthernetFrame(S.DELIMITER, b"", b"", (zero + 7) // 8))
            pos, hunting = zero, True
            continue
        pos, hunting = zero + 8, False
        groups: list[str] = []
        while True:
            a, b, c = (bits[pos + 5 * i : pos + 5 * i + 5] for i in range(3))
            if (a, b) == (T, R):
                by_idle, pos = False, pos + 10
                end = pos
                break
            if a == IDLE and (b == IDLE or (b, c) == (J, K)):
                by_idle, pos = True, pos + 5
                end = pos + (5 if b == IDLE else 10)
                break
            undecided = (a == T and len(b) < 5) or (a == IDLE and (len(b) < 5 or (b == J and len(c) < 5)))
            if len(a) < 5 or undecided:
                return frames
            groups.append(a)
            pos += 5
        body = list(groups)
        while by_idle and body and body[-1] in (T, R):
            body.pop()
        fives = 0
        while fives < len(body) and body[fives] == DATA[5]:
            fives += 1
        sfd = fives <= 32 and body[fives : fives + 1] == [DATA[0xD]]
        values = [DATA.index(g) if g in DATA else 0 for g in body[fives + 1 :]] if sfd else []
        octets = bytes(lo | hi << 4 for lo, hi in zip(values[0::2], values[1::2], strict=False))
        if any(g == H or g in INVALID for g in groups):
            status = S.CODE
        elif not sfd or by_idle or len(values) % 2 or any(g in (IDLE, J, K, T, R) for g in groups):
            status = S.DELIMITER
        elif len(octets) < least:
            status = S.TOO_SHORT
        elif len(octets) > most + 4 * (octets[12:14] == b"\x81\x00"):
            status = S.TOO_LONG
        else:
            status = S.GOOD if with_fcs(octets[:-4]) == octets else S.FCS
        cut = len(octets) - 4 if 4 <= len(octets) <= keep else min(len(octets), keep)
        fcs = octets[cut:] if len(octets) <= keep else b""
        left_out = len(octets) - cut - len(fcs)
        frames.append(EthernetFrame(status, octets[:cut], fcs, (end - 1) // 8, left_out))


# --- round trips ----------------------------------------

GOOD_DAMAGE = EthernetDamage()
ANY_DAMAGE = st.sampled_from([
    GOOD_DAMAGE, GOOD_DAMAGE, GOOD_DAMAGE,
    EthernetDamage(fcs_xor=1), EthernetDamage(fcs_xor=0x80000000),
    EthernetDamage(bad_group_at=0), EthernetDamage(bad_group_at=77, bad_group=0b11001),
    EthernetDamage(idle_at=127), EthernetDamage(idle_at=5), EthernetDamage(extra_nibble=9),
    EthernetDamage(omit_ssd_j=True), EthernetDamage(omit_ssd_k=True),
    EthernetDamage(omit_ssd_j=True, omit_ssd_k=True),
    EthernetDamage(omit_esd_t=True), EthernetDamage(omit_esd_r=True),
    EthernetDamage(omit_esd_t=True, omit_esd_r=True),
    EthernetDamage(short=True), EthernetDamage(sfd=0xC), EthernetDamage(preamble_fives=4),
    EthernetDamage(preamble_fives=33),
])  # fmt: skip


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    frames=st.lists(st.tuples(st.binary(max_size=200), ANY_DAMAGE), max_size=8),
    idle=st.sampled_from([1, 2, 3, 24]),
    takes=st.lists(st.integers(1, 300), min_size=1, max_size=6),
    sizes=st.lists(st.integers(1, 400), min_size=1, max_size=5),
    lsb_first=st.booleans(),
)
def test_round_trip(
    frames: list[tuple[bytes, EthernetDamage]],
    idle: int,
    takes: list[int],
    sizes: list[int],
    lsb_first: bool,
) -> None:
    encoder = EthernetEncoder(lsb_first=lsb_first, min_idle_groups=idle)
    stream = b""
    sent = []
    for (data, damage), take in zip(frames, itertools.cycle(takes), strict=False):
        encoder.send(data, damage)
        stream += encoder.take(take)
        sent += encoder.sent()
    stream += encoder.take(encoder.pending_octets + 3)
    sent += encoder.sent()
    assert [s.sequence for s in sent] == list(range(len(frames)))
    got = receive(stream, sizes, lsb_first=lsb_first)
    assert [(g.status, g.end_octet) for g in got] == [(s.status, s.end_octet) for s in sent]
    for g, s in zip(got, sent, strict=True):
        if s.status in (S.GOOD, S.FCS, S.TOO_SHORT):
            assert (g.data, g.fcs) == (s.data, s.fcs)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    st.lists(
        st.one_of(
            st.integers(1, 30).map(lambda n: "1" * n),
            st.integers(1, 6).map(lambda n: IDLE * n),
            st.binary(max_size=24).map(frame_bits),
            st.binary(max_size=50).map(lambda b: J + K + PREAMBLE + nibbles(b)),
            st.just(J + K + PREAMBLE),
            st.just(T + R),
            st.lists(st.sampled_from([IDLE, J, K, T, R, H, *DATA, *INVALID]), max_size=9).map("".join),
            st.lists(st.sampled_from("01"), max_size=12).map("".join),
        ),
        max_size=20,
    ),
    st.lists(st.integers(1, 40), min_size=1, max_size=5),
)
def test_agrees_with_a_bit_by_bit_receiver(pieces: list[str], sizes: list[int]) -> None:
    octets = pack("1" * 10 + "".join(pieces) + IDLE * 4)
    expected = reference(unpack(octets), 10, 20)
    assert receive(octets, sizes, min_octets=10, max_octets=20) == expected
    assert receive(octets, min_octets=10, max_octets=20) == expected


@pytest.mark.parametrize("seed", range(4))
def test_long_damaged_stream_agrees_with_a_bit_by_bit_receiver(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pieces = []
    for _ in range(400):
        kind = int(rng.integers(0, 12))
        bits = frame_bits(payload(int(rng.integers(10, 300)), int(rng.integers(1 << 30))))
        if kind == 0:
            at = int(rng.integers(0, len(bits)))
            bits = bits[:at] + "01"[bits[at] == "0"] + bits[at + 1 :]
        elif kind == 1:
            bits = bits[: int(rng.integers(0, len(bits)))]
        elif kind == 2:
            bits += "1" * int(rng.integers(1, 5))
        pieces.append(bits + IDLE * int(rng.integers(1, 30)))
    octets = pack(IDLE * 3 + "".join(pieces) + IDLE * 3)
    expected = reference(unpack(octets), 64, 250)
    assert {f.status for f in expected} >= {S.GOOD, S.CODE, S.DELIMITER, S.TOO_SHORT, S.TOO_LONG}
    for sizes in ([len(octets)], [1000, 3, 8000], [176]):
        assert receive(octets, sizes, min_octets=64, max_octets=250) == expected


def test_noise_agrees_with_a_bit_by_bit_receiver() -> None:
    octets = np.random.default_rng(3).integers(0, 256, 20_000, dtype=np.uint8).tobytes()
    expected = reference(unpack(octets), 64, 1518)
    assert 20 < len(expected) < 200, "one false carrier per stretch of noise, not one a group"
    assert receive(octets) == expected
    assert receive(octets, [7, 100, 1]) == expected


def test_many_frames_back_to_back_in_order() -> None:
    encoder = EthernetEncoder(min_idle_groups=5)
    data = [payload(60 + n % 700, n) for n in range(600)]
    for octets in data:
        encoder.send(octets)
    stream = encoder.take(encoder.pending_octets + 1)
    got = receive(stream)
    assert [g.data for g in got] == data
    assert [g.end_octet for g in got] == [s.end_octet for s in encoder.sent()]
    assert receive(stream, [2816]) == got
    assert EthernetDecoder().receive(np.frombuffer(stream, np.uint8).repeat(2)[::2]) == got


# --- one heading for each fault ----------------------------------------


@pytest.mark.parametrize(
    ("damage", "status"),
    [
        (EthernetDamage(), S.GOOD),
        (EthernetDamage(preamble_fives=0), S.GOOD),
        (EthernetDamage(preamble_fives=12), S.GOOD),
        (EthernetDamage(preamble_fives=32), S.GOOD),
        (EthernetDamage(preamble_fives=33), S.DELIMITER),
        (EthernetDamage(preamble_fives=500), S.DELIMITER),
        (EthernetDamage(sfd=0), S.DELIMITER),
        (EthernetDamage(fcs_xor=0x00010000), S.FCS),
        (EthernetDamage(idle_at=40), S.DELIMITER),
        (EthernetDamage(extra_nibble=0), S.DELIMITER),
        (EthernetDamage(omit_ssd_j=True), S.DELIMITER),
        (EthernetDamage(omit_ssd_k=True), S.DELIMITER),
        (EthernetDamage(omit_ssd_j=True, omit_ssd_k=True), S.DELIMITER),
        (EthernetDamage(omit_esd_t=True), S.DELIMITER),
        (EthernetDamage(omit_esd_r=True), S.DELIMITER),
        (EthernetDamage(omit_esd_t=True, omit_esd_r=True), S.DELIMITER),
        (EthernetDamage(bad_group_at=3), S.CODE),
        (EthernetDamage(bad_group_at=3, extra_nibble=1, fcs_xor=1), S.CODE),
        (EthernetDamage(bad_group_at=3, omit_esd_t=True), S.CODE),
        (EthernetDamage(bad_group_at=3, sfd=1), S.CODE),
        (EthernetDamage(extra_nibble=1, fcs_xor=1), S.DELIMITER),
    ],
)
@pytest.mark.parametrize("idle", [1, 2, 24])
def test_damage_counts_once_and_spares_its_neighbours(damage: EthernetDamage, status: S, idle: int) -> None:
    encoder = EthernetEncoder(min_idle_groups=idle)
    encoder.send(payload(80, 1))
    encoder.send(payload(90, 2), damage)
    encoder.send(payload(100, 3))
    got = receive(encoder.take(encoder.pending_octets + 2))
    sent = encoder.sent()
    assert [g.status for g in got] == [S.GOOD, status, S.GOOD]
    assert [(g.status, g.end_octet) for g in got] == [(s.status, s.end_octet) for s in sent]
    if not (damage.omits_ssd or damage.sfd != 0xD or damage.preamble_fives > 32 or status is S.CODE):
        assert got[1].data == payload(90, 2) or damage.idle_at is not None
        assert got[1].fcs == sent[1].fcs or damage.idle_at is not None


@pytest.mark.parametrize("group", [*INVALID_GROUPS, ERROR_GROUP])
@pytest.mark.parametrize("at", [0, 33, 127])
def test_every_invalid_group_inside_a_frame_is_a_code_error(group: int, at: int) -> None:
    encoder = EthernetEncoder()
    encoder.send(payload(60), EthernetDamage(bad_group_at=at, bad_group=group))
    encoder.send(payload(60))
    assert statuses(encoder.take(encoder.pending_octets + 1)) == [S.CODE, S.GOOD]


@pytest.mark.parametrize("group", [*INVALID, H, J, K, T, R, *DATA])
def test_any_group_but_j_after_idle_is_one_false_carrier(group: str) -> None:
    octets = pack(IDLE * 4 + group + IDLE * 4 + frame_bits(payload(60)) + IDLE)
    assert statuses(octets) == [S.DELIMITER, S.GOOD]


def test_invalid_group_in_the_preamble_is_a_code_error() -> None:
    bits = J + K + DATA[5] * 4 + "00001" + DATA[5] * 8 + DATA[0xD] + nibbles(with_fcs(payload(60))) + T + R
    assert statuses(pack(IDLE * 3 + bits + IDLE * 3)) == [S.CODE]


@pytest.mark.parametrize("inside", [T, R, J, K, IDLE, J + K])
def test_control_group_inside_a_frame_breaks_its_delimiters_once(inside: str) -> None:
    body = nibbles(with_fcs(payload(80)))
    bits = J + K + PREAMBLE + body[:200] + inside + body[200 + len(inside) :] + T + R
    octets = pack(IDLE * 3 + bits + IDLE + frame_bits(payload(60)) + IDLE)
    assert statuses(octets) == [S.DELIMITER, S.GOOD]


@pytest.mark.parametrize("between", [DATA[3], H, IDLE])
@pytest.mark.parametrize("gap", [IDLE * 2, IDLE * 24])
def test_delimiter_groups_apart_from_each_other(between: str, gap: str) -> None:
    """T and R, or J and K, with a group between them are no ESD and no SSD."""
    good = frame_bits(payload(60)) + gap
    split_esd = frame_bits(payload(70))[:-5] + between + R + gap
    split_ssd = J + between + frame_bits(payload(80))[5:] + gap
    octets = pack(gap + good + split_esd + good + split_ssd + good)
    broken = S.CODE if between == H else S.DELIMITER
    assert statuses(octets) == [S.GOOD, broken, S.GOOD, S.DELIMITER, S.GOOD]


def test_frame_cut_off_by_idle_keeps_its_octets() -> None:
    body = with_fcs(payload(80))
    octets = pack(IDLE * 3 + J + K + PREAMBLE + nibbles(body) + IDLE + frame_bits(payload(60)) + IDLE)
    first, second = receive(octets)
    assert (first.status, first.data + first.fcs, second.status) == (S.DELIMITER, body, S.GOOD)


@pytest.mark.parametrize(
    ("data", "status"),
    [
        (payload(0), S.TOO_SHORT),
        (payload(59), S.TOO_SHORT),
        (payload(60), S.GOOD),
        (payload(1514), S.GOOD),
        (payload(1515), S.TOO_LONG),
        (payload(12) + b"\x81\x00" + payload(1504), S.GOOD),
        (payload(12) + b"\x81\x00" + payload(1505), S.TOO_LONG),
        (payload(3000), S.TOO_LONG),
    ],
)
def test_lengths(data: bytes, status: S) -> None:
    encoder = EthernetEncoder()
    encoder.send(data, EthernetDamage(short=True))
    octets = encoder.take(encoder.pending_octets)
    (frame,) = receive(octets)
    (sent,) = encoder.sent()
    assert (frame.status, frame.data, frame.fcs) == (status, data, sent.fcs)
    assert sent.status is status
    assert receive(octets, [1]) == [frame]


def test_envelope_frames_by_setting() -> None:
    encoder = EthernetEncoder(max_octets=2000)
    encoder.send(payload(1996))
    encoder.send(payload(1997))
    octets = encoder.take(encoder.pending_octets)
    assert statuses(octets, max_octets=2000) == [S.GOOD, S.TOO_LONG]
    assert [s.status for s in encoder.sent()] == [S.GOOD, S.TOO_LONG]


@pytest.mark.parametrize("nibble_count", [1, 2, 7])
def test_frame_without_room_for_an_fcs(nibble_count: int) -> None:
    bits = J + K + PREAMBLE + DATA[3] * nibble_count + T + R
    (frame,) = receive(pack(IDLE * 3 + bits + IDLE * 3))
    assert frame.status is (S.DELIMITER if nibble_count & 1 else S.TOO_SHORT)
    assert (frame.data, frame.fcs) == (b"\x33" * (nibble_count // 2), b"")


# --- phase, start, end, order ----------------------------------------


@pytest.mark.parametrize("shift", range(40))
def test_ssd_at_every_phase(shift: int) -> None:
    bits = frame_bits(payload(61)) + IDLE * 7
    got = receive(pack("1" * (10 + shift) + bits + frame_bits(payload(62)) + IDLE))
    assert [(g.status, len(g.data)) for g in got] == [(S.GOOD, 61), (S.GOOD, 62)]
    assert got[0].end_octet == (10 + shift + len(bits) - 35 - 1) // 8


def test_every_frame_in_another_phase() -> None:
    bits = "".join("1" * (10 + n) + frame_bits(payload(60 + n)) for n in range(40))
    got = receive(pack(bits + IDLE))
    assert [(g.status, len(g.data)) for g in got] == [(S.GOOD, 60 + n) for n in range(40)]


@pytest.mark.parametrize("ones", [2, 3, 4, 5, 6, 8, 9])
def test_short_gaps_that_change_phase(ones: int) -> None:
    """Five ones must stand before J, those R ends with among them."""
    octets = pack(IDLE * 3 + frame_bits(payload(60)) + "1" * ones + frame_bits(payload(61)) + IDLE * 2)
    assert statuses(octets) == [S.GOOD, S.GOOD]


@pytest.mark.parametrize("ones", [0, 1])
def test_no_idle_between_frames_is_a_missing_ssd(ones: int) -> None:
    first = frame_bits(payload(60)) + "1" * ones
    octets = pack(IDLE * 3 + first + frame_bits(payload(61)) + IDLE * 3 + frame_bits(payload(62)) + IDLE)
    assert statuses(octets) == [S.GOOD, S.DELIMITER, S.GOOD]


def test_start_anywhere_inside_a_frame_is_no_error() -> None:
    bits = frame_bits(bytes(range(256)) * 2) + IDLE * 4 + frame_bits(payload(60)) + IDLE
    for cut in range(1, 2700):
        assert statuses(pack(bits[cut:])) == [S.GOOD], cut


def test_data_with_the_longest_run_of_ones_is_not_taken_for_idle() -> None:
    """7 then 0 gives eight ones; no valid data gives ten."""
    bits = frame_bits(b"\x07\x70" * 40)
    assert statuses(pack(bits[200:] + IDLE * 4 + frame_bits(payload(60)) + IDLE)) == [S.GOOD]


def test_most_significant_bit_first() -> None:
    bits = IDLE * 5 + frame_bits(payload(60)) + IDLE * 3
    assert statuses(pack(bits, msb_first=True), lsb_first=False) == [S.GOOD]
    assert S.GOOD not in statuses(pack(bits, msb_first=True))


def test_a_frame_is_reported_with_its_last_octet() -> None:
    encoder = EthernetEncoder()
    encoder.send(payload(60))
    octets = encoder.take(encoder.pending_octets)
    decoder = EthernetDecoder()
    assert [n for n, octet in enumerate(octets) if decoder.receive(bytes([octet]))] == [
        encoder.sent()[0].end_octet
    ]


def test_reset_forgets_and_tells_whether_a_frame_was_cut() -> None:
    octets = pack(IDLE * 8 + frame_bits(payload(60)) + IDLE * 3)
    decoder = EthernetDecoder()
    assert not decoder.reset()
    decoder.receive(octets[:4])
    assert not decoder.reset()
    decoder.receive(octets[:30])
    assert decoder.reset()
    assert not decoder.reset()
    assert decoder.receive(octets[30:]) == []
    decoder.reset()
    assert decoder.receive(octets) == receive(octets)


# --- what must not grow ----------------------------------------


def test_frame_that_never_ends_does_not_grow_and_counts_once() -> None:
    decoder = EthernetDecoder()
    piece = pack(nibbles(payload(500)))
    assert decoder.receive(pack(IDLE * 4 + (J + K + PREAMBLE + DATA[1]))) == []
    tracemalloc.start()
    for _ in range(200):
        assert decoder.receive(piece) == []
    before = tracemalloc.get_traced_memory()[0]
    for _ in range(2000):
        assert decoder.receive(piece) == []
    grown = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    assert grown < 5_000
    (frame,) = decoder.receive(pack(IDLE * 6))
    assert frame.fcs == b""
    assert len(frame.data) < 2 * 1522 + 1
    groups = 1 + -(-(7 + 2200 * 5000) // 5)  # after the SFD; seven ones fill the octet before the pieces
    assert frame.length == groups // 2


def test_very_long_frame_is_too_long_however_it_arrives() -> None:
    encoder = EthernetEncoder()
    data = payload(9000)
    encoder.send(data)
    octets = encoder.take(encoder.pending_octets)
    (frame,) = receive(octets)
    assert (frame.status, frame.fcs) == (S.TOO_LONG, b"")
    assert data.startswith(frame.data)
    assert len(frame.data) > 2 * 1518
    assert frame.length == len(data) + 4
    assert receive(octets, [100]) == [frame]


@given(
    st.integers(1, 20_000),
    st.lists(st.integers(1, 3000), max_size=9),
    st.sampled_from(("good", "code", "idle", "esd")),
    st.integers(0, 9),
)
@settings(max_examples=30, derandomize=True, deadline=None)
def test_any_length_is_told_as_the_sender_counts_it(n: int, sizes: list[int], how: str, end: int) -> None:
    """`end` adds groups T and R that idle follows."""
    damage = EthernetDamage(short=True, bad_group_at=0 if how == "code" else None)
    if how == "idle":
        damage = EthernetDamage(short=True, idle_at=2 * n - 1)
    encoder = EthernetEncoder()
    data = payload(n)
    if how == "esd":
        bits = IDLE * 4 + J + K + PREAMBLE + nibbles(with_fcs(data)) + T * end + IDLE * 8
        octets = pack(bits)
    else:
        encoder.send(data, damage)
        octets = encoder.take(encoder.pending_octets + 4)
    frames = receive(octets, sizes)
    assert [frame.length for frame in frames] == [n + 4]
    assert data.startswith(frames[0].data) or damage.bad_group_at == 0 or damage.idle_at is not None


def test_endless_garbage_gives_no_endless_frames() -> None:
    garbage = "00001" * 40_000
    assert statuses(pack(IDLE * 4 + garbage)) == [S.DELIMITER]
    assert statuses(pack(IDLE * 4 + J + K + garbage + T + R + IDLE)) == [S.CODE]
    assert receive(bytes(100_000)) == []
    assert receive(b"\xff" * 100_000) == []


# --- the encoder ----------------------------------------


def test_idle_without_frames() -> None:
    encoder = EthernetEncoder()
    assert encoder.take(0) == b""
    assert encoder.take(9) == b"\xff" * 9
    assert encoder.pending_octets == 0
    assert encoder.sent() == []


def test_groups_keep_their_phase_over_idle_of_any_length() -> None:
    encoder = EthernetEncoder(min_idle_groups=1)
    stream = b""
    for n in range(12):
        stream += encoder.take(n)
        encoder.send(payload(60))
        stream += encoder.take(encoder.pending_octets)
    bits = unpack(stream)
    starts = [n for n in range(len(bits)) if bits.startswith(IDLE + J + K + PREAMBLE, n)]
    assert len(starts) == 12
    assert {start % 5 for start in starts} == {0}


def test_gap_between_frames() -> None:
    for idle in (1, 7, 24):
        encoder = EthernetEncoder(min_idle_groups=idle)
        encoder.send(payload(60))
        encoder.send(payload(61))
        bits = unpack(encoder.take(encoder.pending_octets))
        first = IDLE * max(idle, 2)
        assert bits.startswith(first + frame_bits(payload(60)) + IDLE * idle + frame_bits(payload(61)))


def test_a_frame_is_sent_once_and_only_when_all_of_it_was_taken() -> None:
    encoder = EthernetEncoder()
    assert encoder.send(b"") == 0
    total = encoder.pending_octets
    encoder.take(total - 1)
    assert encoder.sent() == []
    encoder.take(1)
    (sent,) = encoder.sent()
    assert (sent.data, sent.end_octet) == (bytes(60), total - 1)
    assert encoder.sent() == []


@pytest.mark.parametrize(
    "fields",
    [
        {"fcs_xor": 1 << 32},
        {"bad_group_at": 0, "bad_group": 0b11110},
        {"bad_group_at": 0, "bad_group": 0b11111},
        {"extra_nibble": 16},
        {"preamble_fives": -1},
        {"sfd": 5},
        {"sfd": 16},
        {"omit_ssd_j": True, "idle_at": 3},
        {"omit_ssd_k": True, "omit_esd_t": True},
        {"idle_at": 3, "omit_esd_r": True},
    ],
)
def test_damage_that_cannot_be(fields: dict[str, int]) -> None:
    with pytest.raises(SettingsError):
        EthernetDamage(**fields)  # type: ignore[arg-type]


def test_settings_that_cannot_be() -> None:
    encoder = EthernetEncoder()
    for damage in (EthernetDamage(bad_group_at=128), EthernetDamage(idle_at=-1)):
        with pytest.raises(SettingsError):
            encoder.send(b"", damage)
    assert encoder.pending_octets == 0
    with pytest.raises(SettingsError):
        EthernetEncoder(min_idle_groups=0)
    with pytest.raises(SettingsError):
        EthernetDecoder(min_octets=3)
    with pytest.raises(SettingsError):
        EthernetDecoder(max_octets=63)
