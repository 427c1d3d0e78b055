"""Peak memory of `framefray decode` over three sizes of an octets file, and start-up times.

`python tests/bench/memory.py [LARGEST_MIB]`; the files are made in a temporary folder and removed again.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PEAK = (
    "import resource, subprocess, sys; subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL);"
    "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
)


def peak_kib(*command: str) -> int:
    done = subprocess.run([sys.executable, "-c", PEAK, *command], check=True, capture_output=True, text=True)
    return int(done.stdout)


def wall(*command: str) -> float:
    times = []
    for _ in range(7):
        start = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> None:
    largest = int(sys.argv[1]) if len(sys.argv) > 1 else 2048
    framefray = [sys.executable, "-m", "monitor"]
    with tempfile.TemporaryDirectory() as folder:
        one = Path(folder) / "one.octets"
        subprocess.run(
            [*framefray, "craft", str(one), "--hyperframes", "600"], check=True, stderr=subprocess.DEVNULL
        )
        block = one.read_bytes()
        first = 0
        for mib in (largest // 16, largest // 4, largest):
            path = Path(folder) / "big.octets"
            with path.open("wb") as file:
                while file.tell() < mib << 20:
                    file.write(block)
                size = file.tell()
            start = time.perf_counter()
            peak = peak_kib(*framefray, "decode", str(path), "--json") / 1024
            took = time.perf_counter() - start
            first = first or peak
            print(
                f"{size / 2**20:7.0f} MiB octets: peak {peak:6.1f} MiB ({peak / first:.2f} x the first), {took:.2f} s"
            )
            path.unlink()
    bare = wall(sys.executable, "-c", "pass")
    for name, command in (
        ("import decoders", [sys.executable, "-c", "import decoders"]),
        ("import decoders.link.decoder", [sys.executable, "-c", "import decoders.link.decoder"]),
        ("framefray --help", [*framefray, "--help"]),
    ):
        took = wall(*command)
        print(f"{name:22} {took:.3f} s, {took / bare:.1f} x an empty interpreter")
    print(f"cores used: {len(os.sched_getaffinity(0))}")


if __name__ == "__main__":
    main()
