"""Emulated traffic: the same seed gives the same octets, and no splitting changes a sample."""

from __future__ import annotations

import zlib
from collections import Counter
from fractions import Fraction
from itertools import islice

import dpkt
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.cm_plane.packet_text import describe
from monitor.emulation.traffic import (
    RADIO_HEADS,
    RE_1,
    RE_2,
    REC_A,
    Constant,
    EthernetTraffic,
    HdlcTraffic,
    IqTraffic,
    Pn,
    Ramp,
    Tone,
    VendorPattern,
    Waveform,
    ZeroSamples,
    seeded_bits,
)

# ---------------------------------------------------------------------------------------------- frames


@pytest.mark.parametrize("make", [EthernetTraffic, HdlcTraffic])
def test_frames_repeat_by_seed(make: type[EthernetTraffic] | type[HdlcTraffic]) -> None:
    first = list(islice(make(5), 200))
    assert first == list(islice(make(5), 200))
    assert first != list(islice(make(6), 200))
    assert first != list(islice(make(5, sender=RE_1, peers=(REC_A,)), 200))


def test_frames_are_the_ones_of_every_python() -> None:
    """Pinned: crafted captures must not change with the Python version or by accident."""
    assert zlib.crc32(b"".join(islice(EthernetTraffic(7), 100))) == 1048616392
    assert zlib.crc32(b"".join(islice(HdlcTraffic(7), 100))) == 4176906807


def ethernet_kind(frame: bytes) -> str:
    """The kind of a frame as dpkt, not our own reader, sees it."""
    data = dpkt.ethernet.Ethernet(frame).data
    if isinstance(data, dpkt.arp.ARP):
        return f"arp {data.op}"
    return f"icmp {data.data.type}" if data.p == 1 else f"udp {data.data.dport}"


def test_ethernet_frames_are_sound_and_mixed() -> None:
    sizes = (60, 90, 1514)
    frames = list(islice(EthernetTraffic(1, sizes=sizes), 600))
    assert {len(frame) for frame in frames} == set(sizes)
    assert not [one.line for one in map(describe, frames) if one.problems]
    assert {frame[6:12].hex(":") for frame in frames} == {REC_A.host.mac}
    assert all(frame[6] & 0x03 == 0x02 for frame in frames), "sender addresses are local, not group"
    kinds = Counter(map(ethernet_kind, frames))
    assert set(kinds) == {"arp 1", "arp 2", "icmp 0", "icmp 8", "udp 5006"}
    assert kinds["arp 1"] > kinds["arp 2"] and kinds["icmp 8"] > kinds["icmp 0"]


def test_a_radio_head_answers_more_than_it_asks() -> None:
    frames = list(islice(EthernetTraffic(1, sender=RE_2, peers=(REC_A,)), 600))
    kinds = Counter(map(ethernet_kind, frames))
    assert kinds["arp 1"] < kinds["arp 2"] and kinds["icmp 8"] < kinds["icmp 0"]
    texts = [
        bytes(dpkt.ethernet.Ethernet(f).data.data.data) for f in frames if ethernet_kind(f) == "udp 5006"
    ]
    assert all(b" RE-2" in text for text in texts)
    counters = [int(text[:6]) for text in texts]
    assert counters == sorted(set(counters)), "the counter rises"


def test_hdlc_frames() -> None:
    frames = list(islice(HdlcTraffic(3), 800))
    lengths = [len(frame) for frame in frames]
    assert min(lengths) == 6 and max(lengths) == 120
    assert {frame[0] for frame in frames} == {head.hdlc_address for head in RADIO_HEADS}
    assert {frame[1] for frame in frames} == {0x03}
    status = [frame[2:].decode("ascii") for frame in frames if b" status " in frame]
    assert len(status) > 300
    ends, kind, counter, temperature = status[0].split()
    assert ends.startswith("REC-A>RE-") and kind == "status" and len(counter) == 6
    assert temperature.startswith("temp=")
    counters = [int(text.split()[2]) for text in status]
    assert counters == sorted(set(counters))
    assert any(b"\xff\xff\xff" in frame for frame in frames), "something to stuff"
    up = next(HdlcTraffic(3, sender=RE_1, peers=(REC_A,)))
    assert up[0] == RE_1.hdlc_address


def test_hdlc_lengths_are_kept() -> None:
    lengths = {len(frame) for frame in islice(HdlcTraffic(3, shortest=10, longest=33), 300)}
    assert min(lengths) == 10 and max(lengths) == 33


def test_frame_settings_that_cannot_be() -> None:
    for sizes in ((), (59,), (60, 1515)):
        with pytest.raises(ValueError, match="sizes"):
            EthernetTraffic(1, sizes=sizes)
    for shortest, longest in ((5, 20), (20, 19)):
        with pytest.raises(ValueError, match="lengths"):
            HdlcTraffic(1, shortest=shortest, longest=longest)
    for make in (EthernetTraffic, HdlcTraffic):
        with pytest.raises(ValueError, match="peer"):
            make(1, peers=())


# ---------------------------------------------------------------------------------------------- vendor


def test_vendor_counter_steps_once_a_frame() -> None:
    octets = VendorPattern().octets(0, 451, 16)
    assert octets.shape == (451, 16) and octets.dtype == np.uint8
    counter = octets[:, 0].astype(int) * 256 + octets[:, 1]
    assert counter.tolist() == [0] * 150 + [1] * 150 + [2] * 150 + [3]
    assert np.all(octets[:, 2:] == octets[0, 2:])
    assert octets[0, 2:].tobytes() == b"SALTMARSHSALTM"


def test_vendor_counter_carries_and_wraps() -> None:
    octets = VendorPattern(counter_start=0xFF).octets(149, 2, 2)
    assert octets.tolist() == [[0x00, 0xFF], [0x01, 0x00]]
    assert VendorPattern().octets(150 * 65536 - 1, 2, 2).tolist() == [[0xFF, 0xFF], [0x00, 0x00]]


@given(st.integers(0, 10**7), st.integers(0, 400), st.integers(0, 400), st.integers(0, 20))
def test_vendor_octets_do_not_depend_on_splitting(first: int, n: int, m: int, width: int) -> None:
    pattern = VendorPattern()
    whole = pattern.octets(first, n + m, width)
    parts = np.concatenate((pattern.octets(first, n, width), pattern.octets(first + n, m, width)))
    assert whole.shape == (n + m, width)
    assert np.array_equal(whole, parts)


def test_vendor_mistakes() -> None:
    for arguments in ((-1, 1, 4), (0, -1, 4), (0, 1, -1)):
        with pytest.raises(ValueError, match="negative"):
            VendorPattern().octets(*arguments)
    with pytest.raises(ValueError, match="constants"):
        VendorPattern(constants=b"").octets(0, 1, 3)
    assert VendorPattern(constants=b"").octets(0, 1, 2).tolist() == [[0, 0]]


# -------------------------------------------------------------------------------------------------- IQ

WAVEFORMS: dict[str, Waveform] = {
    "silence": ZeroSamples(),
    "constant": Constant(5, -7),
    "ramp": Ramp(3),
    "falling ramp": Ramp(-1),
    "tone": Tone(123_456.7, -3.0),
    "negative tone": Tone(-300_000.0),
    "pn": Pn(seeded_bits(11)),
}


@pytest.mark.parametrize("name", WAVEFORMS)
@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**40), st.integers(0, 300), st.integers(0, 300), st.sampled_from([4, 9, 15, 16, 20]))
def test_samples_do_not_depend_on_splitting(name: str, first: int, n: int, m: int, width: int) -> None:
    traffic = IqTraffic(WAVEFORMS[name], width)
    whole = traffic.samples(first, n + m)
    assert whole.shape == (n + m, 2) and whole.dtype == np.int32
    assert np.array_equal(whole, np.concatenate((traffic.samples(first, n), traffic.samples(first + n, m))))
    assert np.all(whole >= -(1 << width - 1)) and np.all(whole < 1 << width - 1)


def test_silence_and_constant() -> None:
    assert not IqTraffic(ZeroSamples(), 15).samples(9, 50).any()
    assert IqTraffic(Constant(-8, 7), 4).samples(1, 2).tolist() == [[-8, 7], [-8, 7]]


def test_ramp_walks_every_value_and_wraps() -> None:
    ramp = IqTraffic(Ramp(), 4).samples(0, 17)
    assert ramp[:, 0].tolist() == [*range(8), *range(-8, 0), 0]
    assert np.array_equal(ramp[:, 1], ~ramp[:, 0])


@pytest.mark.parametrize("cycles", [37, -37, 500])
def test_tone_is_one_line_of_the_spectrum_at_its_level(cycles: int) -> None:
    """A tone of whole cycles in 4 096 samples must be one bin of a discrete Fourier transform."""
    n, width, level = 4096, 16, -6.0
    samples = IqTraffic(Tone(cycles * 3_840_000 / n, level), width).samples(10 * n, n)
    spectrum = np.abs(np.fft.fft(samples[:, 0] + 1j * samples[:, 1])) / n
    peak = int(np.argmax(spectrum))
    assert peak == cycles % n
    assert 20 * np.log10(spectrum[peak] / (2 ** (width - 1) - 1)) == pytest.approx(level, abs=0.001)
    spectrum[peak] = 0
    assert 20 * np.log10(spectrum.max() / 2 ** (width - 1)) < -96


def test_full_scale_tone_fits_the_width() -> None:
    for width in (4, 15, 20):
        samples = IqTraffic(Tone(960_000.0, 0.0), width).samples(0, 8)
        largest = 2 ** (width - 1) - 1
        assert samples[:4].tolist() == [[largest, 0], [0, largest], [-largest, 0], [0, -largest]]


def test_tone_phase_holds_after_a_day() -> None:
    """Against exact rational arithmetic, at an index where a product in doubles is off by whole steps."""
    frequency, far = 123_456.7, 3_840_000 * 86_400 + 1
    samples = IqTraffic(Tone(frequency, 0.0), 20).samples(far, 64)
    turns = [float(Fraction(frequency) / 3_840_000 * index % 1) for index in range(far, far + 64)]
    exact = (2**19 - 1) * np.exp(2j * np.pi * np.array(turns))
    assert np.abs(samples[:, 0] - exact.real).max() < 1.0
    assert np.abs(samples[:, 1] - exact.imag).max() < 1.0


def test_pn_fills_i_then_q_least_significant_bit_first() -> None:
    def bits(first_bit: int, n: int) -> np.ndarray:
        sequence = np.array([1, 0, 0, 0, 0, 1, 1, 1], np.uint8)
        return sequence[np.arange(first_bit, first_bit + n) % 8]

    assert IqTraffic(Pn(bits), 4).samples(3, 2).tolist() == [[1, -2], [1, -2]]


def test_seeded_bits_repeat_and_look_even() -> None:
    bits = seeded_bits(3)(0, 64_000)
    assert np.array_equal(bits, seeded_bits(3)(0, 64_000))
    assert not np.array_equal(bits, seeded_bits(4)(0, 64_000))
    # Standard deviation of the count is 126.5; five of them.
    assert abs(int(bits.sum()) - 32_000) < 633
    assert abs(int((bits[:-1] ^ bits[1:]).sum()) - 32_000) < 633
    assert seeded_bits(3)(100, 7).tolist() == bits[100:107].tolist()


def test_iq_mistakes() -> None:
    for waveform, width in (
        (ZeroSamples(), 3),
        (ZeroSamples(), 21),
        (Constant(8, 0), 4),
        (Constant(0, -9), 4),
        (Tone(1e6, 0.1), 15),
        (Tone(1e6, float("nan")), 15),
        (Tone(2e6), 15),
        (Tone(float("nan")), 15),
        (Tone(1.0, sample_rate_hz=0.0), 15),
    ):
        with pytest.raises(ValueError):
            IqTraffic(waveform, width)
    with pytest.raises(ValueError, match="negative"):
        IqTraffic(ZeroSamples(), 15).samples(-1, 1)
    with pytest.raises(ValueError, match="bit source"):
        IqTraffic(Pn(lambda first, n: np.zeros(n - 1, np.uint8)), 15).samples(0, 4)
