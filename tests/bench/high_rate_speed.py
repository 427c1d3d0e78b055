"""Speed of options 5 to 10 through the whole link decoder as ratios in one run, on one core.

Each figure is the median of five runs of processor time; beside it stand its ratio to the line, and to a copy of the
same input bytes made in the same run. Slow and fast C&M are busy. Nothing here is a test.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from decoders.line_coding.characters import LineForm
from decoders.linerates import OPTIONS
from decoders.link.decoder import LinkDecoder
from decoders.link.encoder import LinkEncoder
from decoders.link.line_encoder import LineEncoder
from decoders.link.settings import LinkSettings, SenderSettings

OCTETS = 60_000_000
CHUNK = 1 << 21
RUNS = 5


def stream(option: str, form: LineForm, *, fec: bool = False, seed: int | None = None) -> np.ndarray:
    """Line data of about OCTETS octets of the link."""
    count = OCTETS // OPTIONS[option].hyperframe_octets
    settings = SenderSettings(option=option, pointer_p=20, hdlc_rate_code=6, version=1 if seed is None else 2)
    encoder, line = LinkEncoder(settings), LineEncoder(option, form, fec=fec, seed=seed)
    random = np.random.default_rng(1)
    for _ in range(count * encoder.hdlc_octets // 64 + 2):
        encoder.hdlc.send(random.bytes(62))
    for _ in range(count * encoder.ethernet_octets // 630 + 2):
        encoder.ethernet.send(random.bytes(496))
    parts = []
    for start in range(0, count, 20):
        n = min(20, count - start)
        iq = random.integers(0, 256, (n, 256, 15, encoder.option.word_octets), dtype=np.uint8)
        parts.append(line.encode(encoder.encode(n, iq=iq), encoder.special_positions(n)))
    return np.frombuffer(b"".join(parts), np.uint8)


def median_time(work: Callable[[], object]) -> float:
    times = []
    for _ in range(RUNS):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return statistics.median(times)


def report(name: str, raw: np.ndarray, option: str, form: LineForm, goal: str = "") -> None:
    def decode() -> LinkDecoder:
        decoder = LinkDecoder(LinkSettings(option=option, form=form))
        for start in range(0, len(raw), CHUNK):
            decoder.receive(raw[start : start + CHUNK])
        decoder.finish()
        return decoder

    done = decode()
    octets = done.hyperframes * done.option.hyperframe_octets
    assert octets > 0.5 * OCTETS
    copy = np.empty_like(raw)
    took, copied = median_time(decode), median_time(lambda: np.copyto(copy, raw))
    speed = octets / took
    print(
        f"{name:<50}{speed / 1e6:7.0f} MB/s  {speed / done.option.octet_rate:5.2f} x line of {option:<3}"
        f"{took / copied:7.1f} x copy   {goal}"
    )


def damaged(raw: np.ndarray, ratio: float) -> np.ndarray:
    """Line bits with so many of them inverted."""
    octets = raw.copy()
    random = np.random.default_rng(2)
    bits = random.integers(0, 8 * len(raw), int(8 * len(raw) * ratio))
    np.bitwise_xor.at(octets, bits >> 3, (1 << (bits & 7)).astype(np.uint8))
    return octets


def main() -> None:
    print(
        f"about {OCTETS // 10**6} MB, median of {RUNS}; MB/s = million octets of the link a second of one core"
    )
    octets, bits = LineForm.OCTETS, LineForm.BITS
    report("option 8: octets -> control planes", stream("8", octets), "8", octets, "goal 0.5 x line")
    report("option 10: octets -> control planes", stream("10", octets), "10", octets)
    report("option 8: blocks -> control planes", stream("8", LineForm.BLOCKS), "8", LineForm.BLOCKS)
    report("option 8: bits -> blocks, control planes", stream("8", bits), "8", bits)
    report("option 7: bits of 8B/10B -> control planes", stream("7", bits), "7", bits)
    fec = stream("8", bits, fec=True)
    report("option 8: bits with FEC, clean", fec, "8", bits, "goal 60 MB/s")
    report("option 8: bits with FEC, 1e-4 inverted", damaged(fec, 1e-4), "8", bits)
    scrambled = stream("7", octets, seed=0x12345678)
    report("option 7: octets of version 2 -> control planes", scrambled, "7", octets)


if __name__ == "__main__":
    main()
