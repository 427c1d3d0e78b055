"""Records damaged at random, through the record reader: python tests/fuzz/protocol_random.py [1000000] [SEED].

Whatever comes, the reader raises nothing, holds no more than one record back, brings every good record once and
in order, and a second reader fed in other cuts says the same.
"""

from __future__ import annotations

import random
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader, RecordWriter
from tests.monitor.protocol.test_protocol import mutate


def main(count: int, seed: int) -> None:
    rng = random.Random(seed)
    kinds = list(r.RecordType)
    reader, other, writer = RecordReader(), RecordReader(), RecordWriter()
    came = good = malformed = 0
    started = time.monotonic()
    for first in range(0, count, 1000):
        line = bytearray()
        expected = set()
        for number in range(first, min(first + 1000, count)):
            sent = writer.encode(rng.choice(kinds), rng.randbytes(rng.randrange(80)), time_ns=number)
            kind = rng.randrange(4)
            if kind < 2:
                line += sent
                expected.add(number)
            elif kind == 2:
                line += b"\0" + mutate(rng, sent) + b"\0"
            else:
                line += b"\0" + rng.randbytes(rng.randrange(120)) + b"\0"
        items = reader.feed(bytes(line))
        again = []
        at = 0
        while at < len(line):
            step = rng.randrange(1, 2000)
            again += other.feed(bytes(line[at : at + step]))
            at += step
        assert items == again, f"cuts matter, seed {seed}, records from {first}"
        assert reader.held_octets == 0
        numbers = [i.time_ns for i in items if isinstance(i, r.Record)]
        assert expected <= set(numbers), f"a good record is missing, seed {seed}, records from {first}"
        ours = [n for n in numbers if n in expected]
        assert ours == sorted(expected), f"twice or out of order, seed {seed}, records from {first}"
        for item in items:
            if isinstance(item, r.Record):
                try:
                    r.parse_message(item)
                except r.PayloadError:
                    malformed += 1
        came += len(numbers)
        good += len(expected)
    seconds = time.monotonic() - started
    print(f"{count} records in {seconds:.1f} s: {good} good, {came} came, {malformed} payloads malformed")
    print(reader.counters)


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000,
        int(sys.argv[2]) if len(sys.argv) > 2 else 1,
    )
