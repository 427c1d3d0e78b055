"""The C&M decoders of the second receiver against those of decoders: no code is shared, the frames are the same."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.cm_plane.ethernet import EthernetDecoder
from decoders.cm_plane.ethernet_encoder import EthernetDamage, EthernetEncoder
from decoders.cm_plane.hdlc import HdlcDecoder
from decoders.cm_plane.hdlc_encoder import HdlcDamage, HdlcEncoder
from monitor.reference.cm_channels import ethernet_frames, hdlc_frames


def slow_channel(lengths: list[int], damage: HdlcDamage, seed: int) -> bytes:
    encoder, rng = HdlcEncoder(), np.random.default_rng(seed)
    for number, length in enumerate(lengths):
        frame = rng.integers(0, 256, length, np.uint8).tobytes()
        encoder.send(frame, damage=damage if number == len(lengths) // 2 else HdlcDamage())
    return encoder.take(encoder.pending_octets + 6)


def fast_channel(lengths: list[int], damage: EthernetDamage, seed: int) -> bytes:
    encoder, rng = EthernetEncoder(), np.random.default_rng(seed)
    for number, length in enumerate(lengths):
        frame = rng.integers(0, 256, length, np.uint8).tobytes()
        encoder.send(frame, damage if number == len(lengths) // 2 else EthernetDamage(short=True))
    return encoder.take(encoder.pending_octets + 40)


def same_slow(octets: bytes) -> list[object]:
    theirs = [tuple(frame) for frame in hdlc_frames(octets)]
    assert [
        (f.status, f.data, f.fcs, f.end_octet, f.left_out) for f in HdlcDecoder().receive(octets)
    ] == theirs
    return theirs


def same_fast(octets: bytes) -> list[object]:
    theirs = [tuple(frame) for frame in ethernet_frames(octets)]
    frames = EthernetDecoder().receive(octets)
    assert [(f.status, f.data, f.fcs, f.end_octet, f.left_out) for f in frames] == theirs
    return theirs


@pytest.mark.parametrize(
    "damage",
    [HdlcDamage(), HdlcDamage(fcs_xor=1), HdlcDamage(abort_after_octets=3), HdlcDamage(drop_bits=5)],
    ids=repr,
)
@given(lengths=st.lists(st.integers(1, 3000), min_size=1, max_size=5), seed=st.integers(0, 1 << 30))
@settings(max_examples=6, derandomize=True, deadline=None)
def test_frames_of_slow_cm_are_the_same(damage: HdlcDamage, lengths: list[int], seed: int) -> None:
    assert len(same_slow(slow_channel(lengths, damage, seed))) >= len(lengths) - 1


@pytest.mark.parametrize(
    "damage",
    [
        EthernetDamage(short=True),
        EthernetDamage(short=True, fcs_xor=1),
        EthernetDamage(short=True, bad_group_at=2),
        EthernetDamage(short=True, idle_at=5),
    ],
    ids=repr,
)
@given(lengths=st.lists(st.integers(10, 3000), min_size=1, max_size=5), seed=st.integers(0, 1 << 30))
@settings(max_examples=6, derandomize=True, deadline=None)
def test_frames_of_fast_cm_are_the_same(damage: EthernetDamage, lengths: list[int], seed: int) -> None:
    assert len(same_fast(fast_channel(lengths, damage, seed))) >= len(lengths)


@given(
    data=st.binary(max_size=600),
    flips=st.lists(st.tuples(st.integers(0, 1 << 16), st.integers(0, 7)), max_size=6),
)
@settings(max_examples=40, derandomize=True, deadline=None)
def test_damaged_channels_are_the_same(data: bytes, flips: list[tuple[int, int]]) -> None:
    slow = bytearray(slow_channel([20, 5, 90], HdlcDamage(), len(data)) + data)
    fast = bytearray(fast_channel([64, 64, 90], EthernetDamage(short=True), len(data)) + data)
    for place, bit in flips:
        slow[place % len(slow)] ^= 1 << bit
        fast[place % len(fast)] ^= 1 << bit
    same_slow(bytes(slow))
    same_fast(bytes(fast))


@pytest.mark.parametrize("length", [1, 2, 4093, 20_000])
def test_a_frame_of_any_length_is_the_same(length: int) -> None:
    same_slow(slow_channel([length], HdlcDamage(), 3))
    same_fast(fast_channel([length], EthernetDamage(short=True), 3))
