"""Seeded fuzzing of every reader of foreign octets: python tests/fuzz/run.py SECONDS [TARGET] [--seed N].

Without TARGET the time is shared by all. Each input follows from the seed, the target and its number, so a failure
can be repeated: what failed is written to a file, and the line that says so names it. Exit status 1 for a failure.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
import types
from pathlib import Path

ROOT = Path(__file__).parents[2]
if __name__ == "__main__":
    # Some installed package may have a folder `tests` of its own.
    sys.path.insert(0, str(ROOT))
    package = types.ModuleType("tests")
    package.__path__ = [str(ROOT / "tests")]
    sys.modules["tests"] = package

from tests.fuzz.targets import TARGETS, Target, memory_mebibytes

MOST_SECONDS = 10.0
"""For one input of at most 1 MiB; a busy machine takes several times what is usual."""
MOST_MEBIBYTES = 700
"""Of the whole process, whatever the inputs were."""


def fuzz(target: Target, folder: Path, seed: int, *, seconds: float = 1e9, count: int = 1 << 40) -> int:
    """Inputs tried, until time or count are at their end; AssertionError, with the input kept, for a failure."""
    seeds = target.seeds(folder)
    until = time.monotonic() + seconds
    number = 0
    while number < count and time.monotonic() < until:
        rng = random.Random(f"{seed} {target.name} {number}")
        data = target.mutate(rng, rng.choice(seeds), seeds)
        begun = time.monotonic()
        try:
            target.check(data, folder)
            assert time.monotonic() - begun < MOST_SECONDS, "took too long"
        except BaseException as error:
            kept = Path(tempfile.gettempdir()) / f"fuzz-{target.name}-{seed}-{number}"
            kept.write_bytes(data)
            error.add_note(f"target {target.name}, seed {seed}, input {number}: kept in {kept}")
            raise
        number += 1
    memory = memory_mebibytes()
    assert memory is None or memory < MOST_MEBIBYTES, f"{target.name}: the process holds {memory:.0f} MiB"
    return number


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seconds", type=float)
    parser.add_argument("target", nargs="?", choices=[target.name for target in TARGETS])
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument(
        "--keep-going", action="store_true", help="go on with the next target after a failure"
    )
    arguments = parser.parse_args()
    chosen = [t for t in TARGETS if arguments.target in (None, t.name)]
    failed = 0
    print(f"seed {arguments.seed}")
    with tempfile.TemporaryDirectory() as name:
        for target in chosen:
            try:
                tried = fuzz(target, Path(name), arguments.seed, seconds=arguments.seconds / len(chosen))
            except Exception as error:
                failed += 1
                notes = getattr(error, "__notes__", "")
                if not arguments.keep_going:
                    raise
                print(f"{target.name}: FAILED: {type(error).__name__}: {str(error)[:300]} {notes}")
                continue
            print(f"{target.name}: {tried} inputs", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
