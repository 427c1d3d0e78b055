"""Speed of 64B/66B, RS-FEC and the scrambling of version 2 as ratios in one run, on one core.

Each figure is the median of five runs, beside it its ratio to the line (1.0 = real time). The sides of a ratio run in
turn. Nothing here is a test.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from decoders.line_coding.block_readers import AlignedReader, BlockBitReader, BlockReader
from decoders.line_coding.code_8b10b import SymbolDecoder, SymbolEncoder
from decoders.line_coding.code_64b66b import START, TERMINATE, BlockEncoder, join_blocks, pack_blocks
from decoders.line_coding.fec_codewords import FecEncoder, pack_codewords
from decoders.line_coding.fec_reader import AutomaticBitReader, FecBitReader
from decoders.line_coding.line_octets import Place
from decoders.line_coding.scrambling import HyperframeDescrambler, scramble
from decoders.linerates import OPTIONS

U8 = NDArray[np.uint8]
HYPERFRAMES = 200
CHUNK = 1 << 21
RUNS = 5


def median_times(*works: Callable[[], object]) -> list[float]:
    times: list[list[float]] = [[] for _ in works]
    for _ in range(RUNS):
        for work, took in zip(works, times, strict=True):
            start = time.perf_counter()
            work()
            took.append(time.perf_counter() - start)
    return [statistics.median(took) for took in times]


def report(name: str, octets: int, took: float, rate: float, of: str, goal: str = "") -> None:
    print(f"{name:56} {octets / 1e6 / took:7.0f} MB/s  {octets / rate / took:6.2f} x {of:16} {goal}")


def read(reader: AlignedReader, raw: U8) -> dict[Place, int]:
    counts: dict[Place, int] = {}
    for start in range(0, len(raw), CHUNK):
        reader.feed(raw[start : start + CHUNK], 0)
        for place, where in reader.read().places.items():
            counts[place] = counts.get(place, 0) + len(where)
        reader.own(0)
    return counts


def symbols_only(symbols: NDArray[np.uint16]) -> None:
    decoder = SymbolDecoder()
    for start in range(0, len(symbols), 1 << 20):
        decoder.decode(symbols[start : start + (1 << 20)])


def line_octets(option: str) -> tuple[U8, NDArray[np.int64]]:
    """Random octets of HYPERFRAMES hyperframes with the sync word, and where /T/ and /S/ are."""
    size = OPTIONS[option].hyperframe_octets
    octets = np.random.default_rng(1).integers(0, 256, (HYPERFRAMES, size), np.uint8)
    octets[:, :16] = 0x50
    octets[:, 7], octets[:, 8] = TERMINATE, START
    starts = np.arange(HYPERFRAMES)[:, None] * size
    return octets.reshape(-1), (starts + np.array([7, 8])).reshape(-1)


def blocks() -> tuple[U8, NDArray[np.uint64]]:
    option = OPTIONS["8"]
    octets, k = line_octets("8")
    headers, words = BlockEncoder().encode(octets, k)
    stored, bits = join_blocks(headers, words), pack_blocks(headers, words, 17)
    symbols = SymbolEncoder().encode(octets)
    ours, theirs, packed = median_times(
        lambda: read(BlockReader(), stored),
        lambda: symbols_only(symbols),
        lambda: read(BlockBitReader(), bits),
    )
    rate = float(option.octet_rate)
    report("64B/66B: blocks -> octets", len(octets), ours, rate, "line of 8")
    report("8B/10B: symbols -> octets, same octets", len(octets), theirs, rate, "line of 8")
    print(f"{'':56} {theirs / ours:6.2f} x 8B/10B in octets a second   floor 1")
    report("64B/66B: bits -> octets, any alignment", len(octets), packed, rate, "line of 8")
    (encoding,) = median_times(lambda: pack_blocks(*BlockEncoder().encode(octets, k)))
    report("64B/66B: octets -> bits (encoder)", len(octets), encoding, rate, "line of 8")
    return headers, words


def fec(headers: U8, words: NDArray[np.uint64]) -> None:
    line = pack_codewords(FecEncoder().encode(headers, words), 1234)
    random = np.random.default_rng(2)
    damaged = []
    for rate in (1e-4, 1e-3):
        bits = np.unpackbits(line, bitorder="little")
        bits[random.choice(len(bits), round(len(bits) * rate), replace=False)] ^= 1
        damaged.append(np.packbits(bits, bitorder="little"))
    clean, automatic, some, many, encoding = median_times(
        lambda: read(FecBitReader(), line),
        lambda: read(AutomaticBitReader(), line),
        lambda: read(FecBitReader(), damaged[0]),
        lambda: read(FecBitReader(), damaged[1]),
        lambda: FecEncoder().encode(headers, words),
    )
    rate = OPTIONS["8"].line_rate_bps / 8
    report(
        "FEC: clean codewords -> octets (MB/s of the line)", len(line), clean, rate, "line of 8", "floor 60"
    )
    report("FEC: the same, FEC found out", len(line), automatic, rate, "line of 8")
    report("FEC: one wrong bit in 10 000", len(line), some, rate, "line of 8")
    report("FEC: one wrong bit in 1 000", len(line), many, rate, "line of 8")
    report("FEC: blocks -> codewords (encoder)", len(line), encoding, rate, "line of 8")
    found = read(FecBitReader(), damaged[0])
    print(f"{'':56} {found[Place.CODEWORD_CORRECTED]} of {len(line) // 660} codewords corrected at 1e-4")
    noise = random.integers(0, 256, CHUNK, np.uint8)
    (hunting,) = median_times(lambda: read(FecBitReader(), noise))
    report("FEC: search in noise, 5280 phases", len(noise), hunting, rate, "line of 8")


def version_2() -> None:
    option = OPTIONS["7"]
    plain = np.random.default_rng(3).integers(0, 256, (64, 256, 16, option.word_octets), np.uint8)
    plain[:, 0, 0] = 0x50
    plain[:, 2, 0, 0] = 2
    one, each = scramble(plain, 0x12345678), scramble(plain, np.arange(1, 65))

    def run(line: U8) -> None:
        descrambler = HyperframeDescrambler(option)
        for start in range(0, len(line), 32):
            descrambler.descramble(line[start : start + 32])

    steady, changing, unscrambled = median_times(lambda: run(one), lambda: run(each), lambda: run(plain))
    rate = float(option.octet_rate)
    report("version 2: one seed -> plain octets", plain.size, steady, rate, "line of 7")
    report("version 2: another seed in every hyperframe", plain.size, changing, rate, "line of 7")
    report("version 2: seed 0", plain.size, unscrambled, rate, "line of 7")


def main() -> None:
    print(f"{HYPERFRAMES} hyperframes, median of {RUNS} runs")
    fec(*blocks())
    version_2()


if __name__ == "__main__":
    main()
