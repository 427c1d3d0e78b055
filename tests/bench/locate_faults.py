"""Random faults on random segments of an emulated chain: is the segment named right?

python tests/bench/locate_faults.py [FAULTS [OPTION [SEED [TOGETHER [whole|cut|spliced|octets]]]]]

TOGETHER faults go in at a time, on different segments. `cut`: the captures begin and end at different places, and
one has a gap; `spliced`: whole hyperframes are missing there; `octets`: nodes pass on octets of C&M as they are.

Prints each damage on a wrong segment and each fault that should be seen and was not, then counts by reason. Ends with
1 where a wrong segment was named.
"""

from __future__ import annotations

import random
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))

from support.chain_locating import SETTLED, chain_streams, cut_streams, inject_at_random, judged, located

from monitor.emulation.chain import EmulatedChain
from monitor.emulation.node_sender import CmRelay
from monitor.links.damage import Point

APART = 110
PLACES = 8


def main(faults: int, option: str, seed: int, together: int, variant: str) -> int:
    counts: Counter[str] = Counter()
    wrong = done = round_number = 0
    began = time.monotonic()
    while done < faults:
        rng = random.Random(seed * 1000 + round_number)
        relay = CmRelay.OCTETS if variant == "octets" else CmRelay.FRAMES
        chain = EmulatedChain(option, seed=rng.randrange(1000), cm_relay=relay)
        places = [SETTLED + APART * i for i in range(PLACES)]
        placed = inject_at_random(chain, rng, places, together)
        streams = chain_streams(chain, places[-1] + 300)
        if variant in ("cut", "spliced"):
            streams = cut_streams(streams, rng, chain.option.hyperframe_octets, variant == "spliced")
        result = located({Point(segment): data for segment, data in streams.items()}, option)
        outcome = judged(placed, result)
        for fault, damage in outcome.wrong:
            signs = ", ".join(f"{s.plane}:{s.kind} {s.count}" for s in damage.signs)
            print(
                f"WRONG {round_number}: {fault.text} as {damage.point.name} {damage.first}: {signs}",
                flush=True,
            )
        for fault in outcome.unseen:
            reason = "no counter moves" if not fault.moves else "first segment" if fault.first else "NOT SEEN"
            counts[f"unseen, {reason}: {fault.text.partition('.')[0]}"] += 1
            if reason == "NOT SEEN":
                print(f"NOT SEEN {round_number}: {fault.text}", flush=True)
        for damage in outcome.unsure:
            counts[f"no fault, not distinguishable: {damage.reason}"] += 1
        for _, why in outcome.undistinguished:
            counts[f"not distinguishable: {why}"] += 1
        counts["right segment"] += len(outcome.right)
        wrong += len(outcome.wrong)
        done += len(placed)
        round_number += 1
    print(
        f"{done} faults, option {option}, seed {seed}, {time.monotonic() - began:.0f} s; {wrong} on a wrong segment"
    )
    for name, count in sorted(counts.items()):
        print(f"  {count:5} {name}")
    return 1 if wrong else 0


if __name__ == "__main__":
    numbers = sys.argv[1:]
    sys.exit(
        main(
            int(numbers[0]) if numbers else 1000,
            numbers[1] if len(numbers) > 1 else "1",
            int(numbers[2]) if len(numbers) > 2 else 1,
            int(numbers[3]) if len(numbers) > 3 else 1,
            numbers[4] if len(numbers) > 4 else "whole",
        )
    )
