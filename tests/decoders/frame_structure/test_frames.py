"""Basic frame and hyperframe: the construct definitions and the numpy views see the same octets.

CPRI V7.0 clause 4.2.7.1: octet #Z.X.W.Y lies at X*2T + W*T/8 + Y of its hyperframe.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from decoders.errors import LayoutError
from decoders.frame_structure.frames import (
    ALARM_BITS,
    alarm_octet,
    basic_frame,
    control_column,
    control_words,
    hyperframe,
    hyperframe_view,
    iq_view,
    octet_address,
    octet_index,
)
from decoders.linerates import OPTIONS, option_named

VECTORS = Path(__file__).parents[2] / "vectors"


def _random(option: str, n: int = 1) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    return np.random.default_rng(7).integers(0, 256, n * option_named(option).hyperframe_octets, np.uint8)


@pytest.mark.parametrize("name", OPTIONS)
def test_address_and_index_undo_each_other(name: str) -> None:
    option = option_named(name)
    octets = option.word_octets
    for index in (0, 1, octets, 16 * octets - 1, 16 * octets, 1000, option.hyperframe_octets - 1):
        assert octet_index(option, *octet_address(option, index)) == index
    assert octet_address(option, option.hyperframe_octets - 1) == (255, 15, octets - 1)
    assert octet_index(option, 1, 0, 0) == 16 * octets


@pytest.mark.parametrize(
    ("option", "address", "index"),
    [("1", (2, 0, 0), 32), ("1", (194, 0, 0), 3104), ("4", (10, 1, 0), 805), ("2", (64, 0, 1), 2049)],
)
def test_addresses_by_hand(option: str, address: tuple[int, int, int], index: int) -> None:
    assert octet_index(option_named(option), *address) == index
    assert octet_address(option_named(option), index) == address


@pytest.mark.parametrize("address", [(-1, 0, 0), (256, 0, 0), (0, 16, 0), (0, -1, 0), (0, 0, 2), (0, 0, -1)])
def test_addresses_outside(address: tuple[int, int, int]) -> None:
    with pytest.raises(LayoutError, match="outside"):
        octet_index(option_named("2"), *address)


@pytest.mark.parametrize("index", [-1, 8192])
def test_indices_outside(index: int) -> None:
    with pytest.raises(LayoutError, match="outside"):
        octet_address(option_named("2"), index)


@pytest.mark.parametrize("name", ["1", "2", "4", "7", "8"])
def test_construct_and_numpy_see_the_same(name: str) -> None:
    option = option_named(name)
    data = _random(name)
    parsed = hyperframe(name).parse(data.tobytes())
    view = hyperframe_view(data, option)
    assert view.shape == (1, 256, 16, option.word_octets)
    assert np.shares_memory(view, data)
    control, iq = control_column(view), iq_view(view)
    assert len(parsed.basic_frames) == 256
    for x, frame in enumerate(parsed.basic_frames):
        assert frame.control == control[0, x].tobytes()
        assert frame.iq == iq[0, x].tobytes()
    assert hyperframe(name).build(parsed) == data.tobytes()


@pytest.mark.parametrize("name", ["1", "3", "8"])
def test_view_has_the_octet_at_its_address(name: str) -> None:
    option = option_named(name)
    data = _random(name, 2)
    view = hyperframe_view(data, option)
    for z, x, w, y in ((0, 0, 0, 0), (1, 255, 15, option.word_octets - 1), (1, 7, 3, 0)):
        assert view[z, x, w, y] == data[z * option.hyperframe_octets + octet_index(option, x, w, y)]


def test_basic_frame_builds_what_it_parses() -> None:
    data = bytes(range(32))
    parsed = basic_frame("2").parse(data)
    assert (parsed.control, parsed.iq) == (data[:2], data[2:])
    assert basic_frame("2").build(parsed) == data


@pytest.mark.parametrize("name", ["1", "2", "4"])
def test_control_words_by_meaning(name: str) -> None:
    option = option_named(name)
    control = np.random.default_rng(3).integers(0, 256, (256, option.word_octets), np.uint8)
    control[66, 0], control[130, 0], control[194, 0] = 0b11111_011, 0b000_01010, 0b11_101000
    control[128, 0], control[192, 0] = 0x23, 0xF1
    parsed = control_words(name).parse(control.tobytes())
    assert parsed.sync == control[0, 0]
    assert parsed.filler == control[0, 1:].tobytes()
    assert parsed.hfn == control[64, 0]
    assert parsed.bfn == 0x123
    assert parsed.version == control[2, 0]
    assert parsed.rate.hdlc_rate_code == 3
    assert (parsed.alarms.rai, parsed.alarms.los) == (True, True)
    assert not (parsed.alarms.reset or parsed.alarms.sdi or parsed.alarms.lof)
    assert parsed.pointer.pointer_p == 40
    assert [bytes(word) for word in parsed.words] == [word.tobytes() for word in control]


@pytest.mark.parametrize(("name", "mask"), ALARM_BITS.items())
def test_alarm_bits_agree_with_the_definition(name: str, mask: int) -> None:
    parsed = alarm_octet.parse(bytes([mask]))
    assert [n for n in ALARM_BITS if parsed[n]] == [name]
    assert alarm_octet.build(parsed) == bytes([mask])


def test_hand_written_capture_through_the_definitions() -> None:
    """Values of tests/vectors/option1_two_hyperframes.json, laid out by hand."""
    data = (VECTORS / "option1_two_hyperframes.octets").read_bytes()
    second = np.frombuffer(data[4096:8192], np.uint8)
    words = control_words("1").parse(control_column(hyperframe_view(second, option_named("1"))).tobytes())
    assert (words.sync, words.hfn, words.bfn, words.version) == (0xBC, 8, 0x123, 1)
    assert (words.rate.hdlc_rate_code, words.pointer.pointer_p, words.alarms.rai) == (2, 20, True)


def test_part_hyperframes_are_a_caller_mistake() -> None:
    with pytest.raises(LayoutError, match="8191"):
        hyperframe_view(np.zeros(8191, np.uint8), option_named("2"))
    assert hyperframe_view(np.zeros(0, np.uint8), option_named("2")).shape == (0, 256, 16, 2)
