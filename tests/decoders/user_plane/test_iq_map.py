"""AxC containers against a bit-by-bit reading, round trips, settings that cannot be, and the meters."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from decoders.errors import LayoutError, SettingsError
from decoders.linerates import option_named
from decoders.user_plane.axc_container import AxcContainer, ContainerPosition, MappingMethod, StuffingPosition
from decoders.user_plane.iq_levels import dc_offset, level_dbfs, peak
from decoders.user_plane.iq_map import IqMap, IqUnpacker

RATES = (1_920_000, 3_840_000, 7_680_000, 15_360_000, 4_000_000, 5_600_000, 8_000_000, 11_200_000)
LTE_10 = 15_360_000


def slow_unpack(iq_map, rows, first_basic_frame=0):
    """Read bit by bit as clause 4.2.7.2 words it; pure Python on purpose."""
    found = {}
    for axc in iq_map.axcs:
        k, s, width = axc.block_basic_frames, axc.block_samples, axc.sample_width
        frames = [
            [octet >> bit & 1 for octet in row for bit in range(8)][axc.start_bit : axc.start_bit + axc.bits]
            for row in rows.tolist()
        ]
        lists = [[] for _ in range(axc.n_axc)]
        begin = next(i for i in range(k) if (first_basic_frame + i) % k == 0)
        while begin + k <= len(frames):
            stream = [bit for frame in frames[begin : begin + k] for bit in frame]
            if axc.stuffing_position is StuffingPosition.START:
                stream = stream[len(stream) - 2 * width * s * axc.n_axc :]
            for index in range(s * axc.n_axc):
                bits = stream[2 * width * index : 2 * width * (index + 1)]
                pair = []
                for part in (bits[0::2], bits[1::2]):
                    value = sum(bit << weight for weight, bit in enumerate(part))
                    pair.append(value - (1 << width) if part[-1] else value)
                lists[index % axc.n_axc].append(pair)
            begin += k
        for member, pairs in zip(axc.members, lists, strict=True):
            found[member] = np.array(pairs, int).reshape(-1, 2)
    return found


@st.composite
def maps(draw):
    option = option_named(draw(st.sampled_from(["1", "2", "3", "4", "5"])))
    axcs = []
    for index in range(draw(st.integers(1, 4))):
        method = draw(st.sampled_from(MappingMethod))
        axc = AxcContainer(
            f"A{index}",
            draw(st.integers(4, 20)),
            draw(st.sampled_from(RATES)),
            method,
            n_axc=draw(st.integers(1, 3)) if method is MappingMethod.BACKWARD_COMPATIBLE else 1,
            stuffing=draw(st.sampled_from([None, *StuffingPosition])),
        )
        if sum(a.bits for a in axcs) + axc.bits <= option.iq_bits_per_basic_frame:
            axcs.append(axc)
    assume(axcs)
    if draw(st.booleans()):
        return IqMap.packed(option, axcs)
    spare = option.iq_bits_per_basic_frame - sum(axc.bits for axc in axcs)
    start, placed = 0, []
    for axc in draw(st.permutations(axcs)):
        gap = 2 * draw(st.integers(0, spare // 2))
        spare -= gap
        placed.append((axc, start + gap))
        start += gap + axc.bits
    return IqMap.flexible(option, draw(st.permutations(placed)))


def random_samples(iq_map, blocks, seed):
    rng = np.random.default_rng(seed)
    frames = blocks * iq_map.block_basic_frames
    samples = {}
    for axc in iq_map.axcs:
        limit = 1 << (axc.sample_width - 1)
        count = frames // axc.block_basic_frames * axc.block_samples
        for member in axc.members:
            samples[member] = rng.integers(-limit, limit, (count, 2)).astype(axc.dtype)
    return samples


@settings(max_examples=60, deadline=None, derandomize=True)
@given(maps(), st.integers(1, 3), st.integers(0, 2**32))
def test_round_trip(iq_map, blocks, seed):
    samples = random_samples(iq_map, blocks, seed)
    octets = iq_map.pack(samples)
    assert octets.shape == (blocks * iq_map.block_basic_frames, iq_map.option.iq_bits_per_basic_frame // 8)
    back = iq_map.unpack(octets)
    assert list(back) == list(iq_map.names)
    for name, values in samples.items():
        assert back[name].dtype == values.dtype
        np.testing.assert_array_equal(back[name], values)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(maps(), st.integers(0, 40), st.integers(0, 500), st.integers(0, 2**32))
def test_unpack_agrees_with_reading_bit_by_bit(iq_map, frames, first, seed):
    row = iq_map.option.iq_bits_per_basic_frame // 8
    octets = np.random.default_rng(seed).integers(0, 256, (frames, row), dtype=np.uint8)
    fast, slow = iq_map.unpack(octets, first), slow_unpack(iq_map, octets, first)
    assert fast.keys() == slow.keys()
    for name, values in slow.items():
        np.testing.assert_array_equal(fast[name], values, err_msg=name)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(maps(), st.integers(0, 2**32))
def test_pack_leaves_unused_bits_zero(iq_map, seed):
    """Ones in every sample bit light exactly the sample bits, as many as the samples have."""
    samples = {name: np.full_like(values, -1) for name, values in random_samples(iq_map, 1, seed).items()}
    lit = int(np.unpackbits(iq_map.pack(samples)).sum())
    frames = iq_map.block_basic_frames
    per_frame = sum(axc.bits - axc.stuffing_bits / axc.block_basic_frames for axc in iq_map.axcs)
    assert lit == round(frames * per_frame)


def test_stuffing_bits_end_the_block_unless_told_otherwise():
    """Method 1 at 10 MHz, M = 15: 48 basic frames of 80 bits, 90 of these 3840 bits carry no sample."""
    for stuffing, empty in ((None, slice(3750, 3840)), (StuffingPosition.START, slice(0, 90))):
        iq_map = IqMap.packed(option_named(1), [AxcContainer("A", 15, 10_000_000, stuffing=stuffing)])
        octets = iq_map.pack({"A": np.full((125, 2), -1)})
        bits = np.unpackbits(octets[:, :10].reshape(-1), bitorder="little")
        assert not bits[empty].any()
        assert bits.sum() == 3750
        assert not octets[:, 10:].any()


@pytest.mark.parametrize("width", range(4, 21))
def test_sign_extremes(width):
    iq_map = IqMap.packed(option_named(3), [AxcContainer("A", width, LTE_10)])
    low, high = -(1 << (width - 1)), (1 << (width - 1)) - 1
    values = np.array([[low, high], [high, low], [-1, 0], [0, -1]], np.int32)
    back = iq_map.unpack(iq_map.pack({"A": values}))["A"]
    assert back.dtype == (np.int16 if width <= 16 else np.int32)
    np.testing.assert_array_equal(back, values)
    with pytest.raises(SettingsError, match=f"outside {width} bits"):
        iq_map.pack({"A": values + np.array([[0, 1], [0, 0], [0, 0], [0, 0]], np.int32)})
    with pytest.raises(SettingsError, match=f"outside {width} bits"):
        iq_map.pack({"A": values - np.array([[1, 0], [0, 0], [0, 0], [0, 0]], np.int32)})


def test_hyperframe_views_are_read_and_written_in_place():
    option = option_named(2)
    iq_map = IqMap.parse(option, "M=15,fs=15.36,n=2")
    rng = np.random.default_rng(5)
    block = rng.integers(0, 256, (70, 256, 16, 2), dtype=np.uint8)  # three chunks of 8192 basic frames
    before = block.copy()
    view = block[:, :, 1:, :]
    copied = np.ascontiguousarray(view).reshape(-1, 30)
    got = iq_map.unpack(view)
    for name, values in iq_map.unpack(copied).items():
        np.testing.assert_array_equal(got[name], values)
    np.testing.assert_array_equal(got["A1"][:64], slow_unpack(iq_map, copied[:16])["A1"])
    np.testing.assert_array_equal(got["A0"][-64:], slow_unpack(iq_map, copied[-16:])["A0"])
    block[:, :, 1:, :] = 0xFF
    iq_map.pack(got, out=view)
    np.testing.assert_array_equal(block, before)


def test_out_arrays_are_filled_and_may_be_longer():
    iq_map = IqMap.parse(option_named(2), "M=15,fs=15.36; M=12,fs=1.92")
    octets = np.random.default_rng(6).integers(0, 256, (101, 30), dtype=np.uint8)
    out = iq_map.allocate(200)
    assert {name: len(array) for name, array in out.items()} == {"A0": 800, "A1": 100}
    got = iq_map.unpack(octets, 1, out=out)
    assert got["A0"].shape == (404, 2)
    assert got["A1"].shape == (50, 2)
    for name, values in iq_map.unpack(octets, 1).items():
        assert np.shares_memory(got[name], out[name])
        np.testing.assert_array_equal(got[name], values)
    with pytest.raises(LayoutError, match="no array for A1"):
        iq_map.unpack(octets, out={"A0": out["A0"]})
    with pytest.raises(LayoutError, match="is needed"):
        iq_map.unpack(octets, out={**out, "A1": np.empty((49, 2), np.int16)})
    with pytest.raises(LayoutError, match="is needed"):
        iq_map.unpack(octets, out={**out, "A1": np.empty((50, 2), np.int32)})


@settings(max_examples=30, deadline=None, derandomize=True)
@given(maps(), st.integers(0, 60), st.lists(st.integers(0, 50), max_size=6), st.integers(0, 2**32))
def test_streaming_gives_the_same_in_any_pieces(iq_map, first, cuts, seed):
    total = 3 * iq_map.block_basic_frames + 5
    row = iq_map.option.iq_bits_per_basic_frame // 8
    octets = np.random.default_rng(seed).integers(0, 256, (total, row), dtype=np.uint8)
    edges = sorted({0, total, *(min(cut, total) for cut in cuts)})
    unpacker = IqUnpacker(iq_map, first)
    pieces = [unpacker.feed(octets[a:b]) for a, b in pairwise(edges)]
    skip = -first % iq_map.block_basic_frames
    whole = (total - skip) // iq_map.block_basic_frames * iq_map.block_basic_frames
    for name, values in iq_map.unpack(octets[skip : skip + whole]).items():
        np.testing.assert_array_equal(np.concatenate([piece[name] for piece in pieces]), values)


def test_streaming_starts_anew_after_a_reset():
    iq_map = IqMap.parse(option_named(1), "M=15,fs=1.92")
    octets = np.random.default_rng(7).integers(0, 256, (6, 15), dtype=np.uint8)
    unpacker = IqUnpacker(iq_map)
    assert len(unpacker.feed(octets[:3])["A0"]) == 1
    unpacker.reset(1)
    np.testing.assert_array_equal(unpacker.feed(octets[3:])["A0"], iq_map.unpack(octets[4:])["A0"])


def test_streaming_keeps_the_begun_block_when_the_caller_reuses_its_buffer():
    iq_map = IqMap.parse(option_named(1), "M=15,fs=1.92")
    octets = np.random.default_rng(9).integers(0, 256, (4, 15), dtype=np.uint8)
    unpacker, buffer, got = IqUnpacker(iq_map), np.empty((1, 15), np.uint8), []
    for row in octets:
        buffer[0] = row
        got.append(unpacker.feed(buffer)["A0"])
    np.testing.assert_array_equal(np.concatenate(got), iq_map.unpack(octets)["A0"])


def test_group_members_take_turns():
    """Method 3, 4 MHz, three AxCs: S/K = 25/24, N_C = ceil(75/24) = 4 containers, N_V = 96 - 75."""
    axc = AxcContainer("G", 8, 4_000_000, MappingMethod.BACKWARD_COMPATIBLE, n_axc=3)
    assert (axc.containers, axc.stuffing_samples, axc.bits, axc.members) == (4, 21, 64, ("G.0", "G.1", "G.2"))
    iq_map = IqMap.packed(option_named(1), [axc])
    counting = np.arange(25)[:, None] + np.array([[0, 100]])
    octets = iq_map.pack(
        {f"G.{m}": np.where(counting < 50, counting + 25 * m, counting - 100) for m in range(3)}
    )
    i_values = iq_map.unpack(octets)
    assert [int(i_values[f"G.{m}"][0, 0]) for m in range(3)] == [0, 25, 50]
    containers = octets[:, :8].reshape(96, 2)  # 16 bits each
    assert not containers[:21].any()
    assert not octets[:, 8:].any()
    single = IqMap.packed(option_named(1), [AxcContainer("S", 8, 3_840_000)])
    third = np.zeros((1, 15), np.uint8)
    third[0, :2] = containers[22]
    assert single.unpack(third)["S"].tolist() == [[25, 0]]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"sample_width": 3}, "outside 4..20"),
        ({"sample_width": 21}, "outside 4..20"),
        ({"sample_rate_hz": 0}, "not positive"),
        ({"sample_rate_hz": 15_360_001}, "do not divide"),
        ({"n_axc": 2}, "only mapping method 3"),
        ({"n_axc": 0, "method": MappingMethod.BACKWARD_COMPATIBLE}, "group of 0"),
    ],
)
def test_containers_that_cannot_be(change, words):
    fields = {"name": "A", "sample_width": 15, "sample_rate_hz": LTE_10} | change
    with pytest.raises(SettingsError, match=words):
        AxcContainer(**fields)


def test_maps_that_cannot_be():
    option = option_named(2)
    first, second, third = (AxcContainer(name, 15, LTE_10) for name in "ABC")
    assert IqMap.flexible(option, [(second, 120), (first, 0)]).names == ("B", "A")
    with pytest.raises(SettingsError, match="overlaps A"):
        IqMap.flexible(option, [(second, 118), (first, 0)])
    with pytest.raises(SettingsError, match="odd bit 121"):
        IqMap.flexible(option, [(first, 0), (second, 121)])
    with pytest.raises(SettingsError, match=r"bits 122\.\.241; option 2 has 240 IQ bits"):
        IqMap.flexible(option, [(first, 0), (second, 122)])
    with pytest.raises(SettingsError, match=r"C takes bits 240\.\.359"):
        IqMap.packed(option, [first, second, third])
    with pytest.raises(SettingsError, match="overlaps the start"):
        IqMap.flexible(option, [(first, -2)])
    with pytest.raises(SettingsError, match="names repeat"):
        IqMap.packed(option, [first, first])
    with pytest.raises(SettingsError, match="needs a start bit"):
        IqMap(option, ContainerPosition.FLEXIBLE, (first,))


def test_parsing_maps():
    option = option_named(3)
    packed = IqMap.parse(option, "M=15, fs=7.68, n=2; M=20,fs=11.2,method=3,group=2,name=W")
    assert packed.position is ContainerPosition.PACKED
    assert [(axc.name, axc.start_bit, axc.bits) for axc in packed.axcs] == [
        ("A0", 0, 60),
        ("A1", 60, 60),
        ("W", 120, 240),
    ]
    assert packed.names == ("A0", "A1", "W.0", "W.1")
    assert packed.reserved_bits == 480 - 360
    flexible = IqMap.parse(option, "M=15,fs=7.68,b=100;M=15,fs=7.68,b=0,name=low")
    assert flexible.position is ContainerPosition.FLEXIBLE
    assert [(axc.name, axc.start_bit) for axc in flexible.axcs] == [("A0", 100), ("low", 0)]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (" ; ", "names no AxC"),
        ("M=15", "lacks fs="),
        ("fs=7.68", "lacks M="),
        ("M=15,fs=7.68,Q=1", "'Q=1'"),
        ("M=15,M=16,fs=7.68", "each once"),
        ("M=x,fs=7.68", "invalid literal"),
        ("M=15,fs=7.68,method=2", "2 is not a valid"),
        ("M=15,fs=7.68,n=0", "n is 1 to 10000"),
        ("M=15,fs=7.68,n=99999999", "n is 1 to 10000"),
        (f"M=15,fs=7.68,method=3,group={'9' * 4000}", "n is 1 to 10000, as is group"),
        ("M=15,fs=1e999999999", "no sample rate"),
        ("M=15,fs=7.68,n=2,b=0", "exclude each other"),
        ("M=15,fs=7.68,b=0;M=15,fs=7.68", "every AxC or for none"),
        ("M=15,fs=0.0000001", "whole Hz"),
        ("M=15,fs=1/0", "IQ map"),
    ],
)
def test_texts_that_are_no_map(text, words):
    with pytest.raises(SettingsError, match=words):
        IqMap.parse(option_named(3), text)


def test_arrays_that_do_not_fit():
    iq_map = IqMap.parse(option_named(2), "M=15,fs=15.36;M=15,fs=1.92,name=narrow")
    with pytest.raises(LayoutError, match="neither"):
        iq_map.unpack(np.zeros((4, 32), np.uint8))
    with pytest.raises(LayoutError, match="uint8"):
        iq_map.unpack(np.zeros((4, 30), np.int8))
    wide, narrow = np.zeros((8, 2), np.int16), np.zeros((1, 2), np.int16)
    assert iq_map.pack({"A0": wide, "narrow": narrow}).shape == (2, 30)
    with pytest.raises(LayoutError, match="no samples for narrow"):
        iq_map.pack({"A0": wide})
    with pytest.raises(LayoutError, match="last differently"):
        iq_map.pack({"A0": wide, "narrow": np.zeros((2, 2), np.int16)})
    with pytest.raises(LayoutError, match="whole blocks of 4"):
        iq_map.pack({"A0": wide[:7], "narrow": narrow})
    with pytest.raises(LayoutError, match="integers"):
        iq_map.pack({"A0": wide.astype(float), "narrow": narrow})
    with pytest.raises(LayoutError, match="room for 3"):
        iq_map.pack({"A0": wide, "narrow": narrow}, out=np.zeros((3, 30), np.uint8))
    with pytest.raises(LayoutError, match="cannot be written"):
        iq_map.pack({"A0": wide, "narrow": narrow}, out=np.zeros((2, 15, 3), np.uint8)[:, :, :2])
    with pytest.raises(LayoutError, match="do not follow"):
        iq_map.pack({"A0": wide, "narrow": narrow}, out=np.zeros((2, 60), np.uint8)[:, ::2])
    backwards = np.random.default_rng(8).integers(0, 256, (2, 30), dtype=np.uint8)[:, ::-1]
    np.testing.assert_array_equal(iq_map.unpack(backwards)["A0"], iq_map.unpack(backwards.copy())["A0"])


def test_no_basic_frames_give_no_samples():
    iq_map = IqMap.parse(option_named(2), "M=15,fs=10;M=20,fs=3.84")
    assert [values.shape for values in iq_map.unpack(np.zeros((0, 30), np.uint8)).values()] == [
        (0, 2),
        (0, 2),
    ]
    assert [len(values) for values in iq_map.unpack(np.zeros((47, 30), np.uint8)).values()] == [0, 47]


def test_level_of_a_full_scale_tone_is_zero_dbfs():
    phase = 2 * np.pi * np.arange(1000) / 50
    tone = np.round(16383 * np.column_stack((np.cos(phase), np.sin(phase)))).astype(np.int16)
    assert level_dbfs(tone, 15) == pytest.approx(0, abs=0.01)
    assert level_dbfs(tone, 16) == pytest.approx(-20 * math.log10(2), abs=0.01)
    assert level_dbfs(np.array([[-16384, -16384]], np.int16), 15) == pytest.approx(10 * math.log10(2))
    assert level_dbfs(np.zeros((4, 2), np.int16), 15) == -math.inf
    assert level_dbfs(np.zeros((0, 2), np.int16), 15) == -math.inf


def test_peak_and_dc_offset():
    samples = np.array([[-32768, 5], [100, 7]], np.int16)
    assert peak(samples) == 32768
    assert peak(np.array([[3, -2]], np.int16)) == 3
    assert dc_offset(samples) == (-16334.0, 6.0)
    empty = np.zeros((0, 2), np.int16)
    assert (peak(empty), dc_offset(empty)) == (0, (0.0, 0.0))
