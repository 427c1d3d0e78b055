"""Speed of the bulk paths as ratios in one run, on one core.

Each figure is the median of five runs; beside the speed stand its ratio to the line (1.0 = real time), and to a copy
of the same input bytes made in the same run. Streams have slow and fast C&M busy. Nothing here is a test.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from decoders.frame_structure.frames import hyperframe
from decoders.line_coding.characters import LineForm
from decoders.line_coding.code_8b10b import SymbolDecoder, SymbolEncoder, pack_symbols
from decoders.linerates import OPTIONS
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.encoder import LinkEncoder
from decoders.link.settings import LinkSettings, SenderSettings
from decoders.user_plane.axc_container import AxcContainer
from decoders.user_plane.iq_map import IqMap

RATE_CODES = {"1": 2, "2": 3, "3": 4, "4": 5}
HYPERFRAMES = 1500
CHUNK = 1 << 21
RUNS = 5


def stream(option: str, pointer_p: int = 20) -> np.ndarray:
    """Octets of HYPERFRAMES hyperframes, C&M busy (64-octet HDLC frames, 500-octet Ethernet), IQ random."""
    encoder = LinkEncoder(
        SenderSettings(option=option, pointer_p=pointer_p, hdlc_rate_code=RATE_CODES[option])
    )
    random = np.random.default_rng(1)
    for _ in range(HYPERFRAMES * encoder.hdlc_octets // 64 + 2):
        encoder.hdlc.send(random.bytes(62))
    for _ in range(HYPERFRAMES * encoder.ethernet_octets // 630 + 2):
        encoder.ethernet.send(random.bytes(496))
    parts = []
    for _ in range(HYPERFRAMES // 100):
        iq = random.integers(0, 256, (100, 256, 15, encoder.option.word_octets), dtype=np.uint8)
        parts.append(encoder.encode(100, iq=iq).reshape(-1))
    return np.concatenate(parts)


def median_time(work: Callable[[], object]) -> float:
    times = []
    for _ in range(RUNS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def report(
    name: str, raw: np.ndarray, characters: int, option: str, work: Callable[[], object], goal: str
) -> float:
    copy = np.empty_like(raw)
    took = median_time(work)
    copied = median_time(lambda: np.copyto(copy, raw))
    line = characters / OPTIONS[option].octet_rate / took
    print(
        f"{name:58} {characters / 1e6 / took:7.0f} M/s  {line:6.2f} x line of {option}"
        f"   {took / copied:7.1f} x copy   {goal}"
    )
    return took


def link_run(
    raw: np.ndarray, option: str, form: LineForm, on_block: Callable[[HyperframeBlock], None] | None = None
) -> LinkDecoder:
    decoder = LinkDecoder(LinkSettings(option=option, form=form), on_block=on_block)
    for start in range(0, len(raw), CHUNK):
        decoder.receive(raw[start : start + CHUNK])
    decoder.finish()
    assert decoder.hyperframes == HYPERFRAMES, decoder.hyperframes
    assert decoder.counters["ethernet_frames"] and decoder.counters["hdlc_frames"]
    return decoder


def symbols_only(symbols: np.ndarray) -> int:
    decoder = SymbolDecoder()
    wrong = 0
    for start in range(0, len(symbols), 1 << 20):
        block = decoder.decode(symbols[start : start + (1 << 20)])
        wrong += len(block.violations) + len(block.disparity_errors)
    return wrong


def main() -> None:
    four, two = stream("4"), stream("2")
    octets4, octets2 = OPTIONS["4"].hyperframe_octets, OPTIONS["2"].hyperframe_octets
    k4, k2 = np.arange(HYPERFRAMES) * octets4, np.arange(HYPERFRAMES) * octets2
    symbols4, symbols2 = SymbolEncoder().encode(four, k4), SymbolEncoder().encode(two, k2)
    print(f"{HYPERFRAMES} hyperframes, median of {RUNS}; M/s = million characters a second")
    clean = report(
        "symbols -> octets, disparity, violations",
        symbols4,
        len(four),
        "4",
        lambda: symbols_only(symbols4),
        "goal 1.5",
    )
    report(
        "octets -> all control planes, IQ as a view", four, len(four), "4",
        lambda: link_run(four, "4", LineForm.OCTETS), "goal 2",
    )  # fmt: skip
    axcs = [AxcContainer(f"AxC{i}", 15, 15_360_000) for i in range(2)]
    iq_map = IqMap.packed(OPTIONS["2"], axcs)
    out = iq_map.allocate(256 * 256)

    def unpack(block: HyperframeBlock) -> None:
        for start in range(0, len(block.octets), 256):
            part = block.octets[start : start + 256]
            target = out if len(part) == 256 else None
            iq_map.unpack(part[:, :, 1:, :], out=target)

    report(
        "octets -> all control planes and IQ (M = 15) to int16", two, len(two), "2",
        lambda: link_run(two, "2", LineForm.OCTETS, unpack), "goal 1.5",
    )  # fmt: skip
    bits = pack_symbols(symbols2, 3)
    report(
        "bits -> alignment, all control planes", bits, len(two), "2",
        lambda: link_run(bits, "2", LineForm.BITS), "goal 1",
    )  # fmt: skip
    damaged = symbols4.copy()
    random = np.random.default_rng(2)
    hurt = random.choice(len(damaged), len(damaged) // 10_000, replace=False)
    damaged[hurt] ^= (1 << random.integers(0, 10, len(hurt))).astype(np.uint16)
    dirty = report(
        "the same with one damaged symbol in 10 000",
        damaged,
        len(four),
        "4",
        lambda: symbols_only(damaged),
        "goal 0.5 x clean",
    )
    print(
        f"{'':58} {clean / dirty:.2f} x the clean speed; {symbols_only(damaged)} errors seen of {len(hurt)} flips"
    )
    sample = two[: 20 * octets2]
    struct = hyperframe("2")
    ours = report(
        "octets of option 2 -> all control planes",
        two,
        len(two),
        "2",
        lambda: link_run(two, "2", LineForm.OCTETS),
        "",
    )
    took = median_time(
        lambda: [struct.parse(sample[i : i + octets2].tobytes()) for i in range(0, len(sample), octets2)]
    )
    slow = took / 20 * HYPERFRAMES
    print(
        f"{'construct, one hyperframe at a time':58} {len(two) / 1e6 / slow:7.1f} M/s "
        f"  ours {slow / ours:.0f} x as fast   goal 20"
    )


if __name__ == "__main__":
    main()
