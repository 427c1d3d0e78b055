"""The Verilog bench behind `campaign --receiver-command`: symbols on standard input, counters on standard output.

    python tests/verilog/bench_process.py CODE.hex OPTION < line.symbols

CODE.hex is the table of legal words that the bench reads. It serves line and sync by counters alone, so it is not
asked what it does not count; it looks for no alignment and follows no loss of sync.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

BENCH = Path(__file__).with_name("receiver_bench.v")
WORD_OCTETS = {"1": 1, "2": 2, "3": 4, "4": 5, "5": 8, "6": 10, "7": 16}


def main() -> int:
    code, option = sys.argv[1:]
    print(json.dumps({"event": "serves", "serves": ["line", "sync"], "delivers": []}))
    data = sys.stdin.buffer.read()
    words = [data[i] | data[i + 1] << 8 for i in range(0, len(data) - 1, 2)]
    with tempfile.TemporaryDirectory() as folder:
        line, bench = Path(folder) / "line.hex", Path(folder) / "bench.vvp"
        line.write_text("".join(f"{word:03x}\n" for word in words))
        sets = {"CHARACTERS": len(words), "WORD_OCTETS": WORD_OCTETS[option]}
        flags = [f"-Preceiver_bench.{name}={value}" for name, value in sets.items()]
        subprocess.run(["iverilog", "-g2005", *flags, "-o", str(bench), str(BENCH)], check=True)
        arguments = ["vvp", str(bench), f"+line={line}", f"+code={code}"]
        done = subprocess.run(arguments, check=True, capture_output=True, text=True)
    counted = {name: int(value) for name, value in (row.split() for row in done.stdout.splitlines())}
    counted.pop("hyperframes")
    print(json.dumps({"event": "counters", "counters": counted}))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
