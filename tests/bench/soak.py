"""A board over a terminal at full speed, one record in 1000 damaged: python tests/bench/soak.py [SECONDS] [SEED].

A process of its own sends hyperframes that carry their number; this one reads them through the serial line, the
record reader and the board source. Every good hyperframe must come once, whole and in order, every damaged record
must be counted, and memory must stay flat. Ends with 1 where that does not hold.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import resource
import select
import sys
import time
import tty
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from monitor.boards.board import BoardSource
from monitor.boards.serial_port import SerialLine
from monitor.emulation.board import RecordBoard
from monitor.protocol.records import RecordType, data_payload

HYPERFRAME = 16384
"""Octets of a flagged hyperframe of option 2."""
BLOCKS = 64
DAMAGED_ONE_IN = 1000
SETTLED_S = 5.0


def blocks() -> list[bytes]:
    rng = random.Random(1)
    return [rng.randbytes(HYPERFRAME - 8) for _ in range(BLOCKS)]


def hyperframe(number: int, content: list[bytes]) -> bytes:
    return number.to_bytes(8, "little") + content[number % BLOCKS]


def send(master: int, seconds: float, seed: int, report: Connection) -> None:
    """The board: full speed until the time is over, then what was damaged."""
    rng = random.Random(seed)
    board, content = RecordBoard(), blocks()
    damaged: list[int] = []
    number = 0
    waiting = bytearray(board.start())
    os.set_blocking(master, False)
    end = time.monotonic() + seconds
    over = False
    while not over or waiting:
        if not over and time.monotonic() >= end:
            over = True
            waiting += board.status()  # a good record last, so that a damaged one before it is missed
        readable, writable, _ = select.select([master], [master], [], 1.0)
        if readable:
            waiting += board.receive(os.read(master, 4096))
        if len(waiting) < 4 * HYPERFRAME and not over:
            payload = data_payload(number, 0, "2", hyperframe(number, content))
            line = bytearray(board.writer.encode(RecordType.FLAGGED, payload))
            if rng.randrange(DAMAGED_ONE_IN) == 0:
                damaged.append(number)
                at = rng.randrange(1, len(line) - 1)
                line[at] ^= rng.randrange(1, 256)
            waiting += line
            number += 1
        if writable and waiting:
            try:
                del waiting[: os.write(master, waiting[:65536])]
            except BlockingIOError:
                continue
    report.send((number, damaged))
    report.recv()


def rss_kib() -> int:
    fields = Path("/proc/self/statm").read_text().split()
    return int(fields[1]) * resource.getpagesize() // 1024


def main(seconds: float, seed: int) -> int:
    master, slave = os.openpty()
    tty.setraw(slave)
    ours, theirs = multiprocessing.Pipe()
    board = multiprocessing.get_context("fork").Process(target=send, args=(master, seconds, seed, theirs))
    board.start()
    source = BoardSource(SerialLine(os.ttyname(slave)))
    content = blocks()
    came = 0
    first = last = -1
    missing: list[int] = []
    wrong = 0
    memory: list[tuple[float, int]] = []
    started, cpu_before = time.monotonic(), time.process_time()
    done = idle = 0
    for chunk in source.chunks():
        data = bytes(chunk.data)
        for at in range(0, len(data), HYPERFRAME):
            piece = data[at : at + HYPERFRAME]
            number = int.from_bytes(piece[:8], "little")
            if not came:
                first, last = number, number - 1  # what was sent before the line was opened
            if number <= last or piece != hyperframe(number, content):
                wrong += 1
            else:
                missing += range(last + 1, number)
                last = number
            came += 1
        done += len(data)
        now = time.monotonic()
        if not memory or now - memory[-1][0] >= 1.0:
            memory.append((now, rss_kib()))
        idle = 0 if data else idle + 1
        if idle > 4:
            break
    wall = memory[-1][0] - started
    cpu = time.process_time() - cpu_before
    sent, damaged = ours.recv()
    missing += range(last + 1, sent)
    damaged = [number for number in damaged if number >= first]
    ours.send(None)
    board.join()
    source.close()
    counters = source.reader.counters
    settled = [kib for at, kib in memory if at - started >= min(SETTLED_S, wall / 2)]
    growth = max(settled) - settled[0]
    print(
        f"{wall:.1f} s: {sent} records sent, {came} hyperframes came, {len(damaged)} damaged, {wrong} wrong"
    )
    print(f"{counters.octets / wall / 1e6:.1f} MB/s, CPU {100 * cpu / wall:.0f} % of one core")
    print(f"counted: {counters.bad_records} bad pieces, {counters.records_lost} records lost; {counters}")
    print(
        f"memory: {settled[0]} KiB after settling, at most {max(settled)} KiB, {settled[-1]} KiB at the end"
    )
    good = (
        wrong == 0
        and missing == damaged
        and counters.records_lost == len(damaged)
        and counters.bad_records >= len(damaged)
        and growth < 4096
    )
    print("held" if good else f"DID NOT HOLD: missing {missing[:20]}, damaged {damaged[:20]}")
    return 0 if good else 1


if __name__ == "__main__":
    words = sys.argv[1:]
    sys.exit(main(float(words[0]) if words else 60.0, int(words[1]) if len(words) > 1 else 1))
