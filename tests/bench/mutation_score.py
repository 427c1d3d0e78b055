"""How many wrong receivers the campaign catches: the whole campaign, and the table.

    python tests/bench/mutation_score.py [--only PATTERN] [--whole] [--cases PATTERN] [--markdown]

A mutant is caught where the campaign fails it. It is named rightly where a case that fails has its plane, or the
known answers fail a row of its plane. A mutant is done when that is so; with --whole every case is run. Not a test:
it takes minutes.
"""

from __future__ import annotations

import argparse
import sys
import time
import types
from fnmatch import fnmatchcase
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))
# Another package of this name may be installed; the folder here is meant.
_tests = types.ModuleType("tests")
_tests.__path__ = [str(ROOT / "tests")]
sys.modules["tests"] = _tests

from tests.monitor.campaign.mutants import MUTANTS  # noqa: E402
from tests.monitor.campaign.mutants.judging import Judged, Judging  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--only", default="*", help="pattern of the mutants' names")
    parser.add_argument("--cases", default="*", help="pattern of the cases' names")
    parser.add_argument(
        "--whole", action="store_true", help="all cases that fail a mutant, not the first only"
    )
    parser.add_argument("--markdown", action="store_true", help="print a table of all mutants")
    chosen = parser.parse_args()
    judging = Judging()
    began = time.monotonic()
    rows: list[Judged] = []
    for mutant in MUTANTS:
        if fnmatchcase(mutant.name, chosen.only):
            row = judging.whole(mutant, chosen.cases) if chosen.whole else judging.until_caught(mutant)
            rows.append(row)
            sys.stdout.write(f"{row.text}\n")
            sys.stdout.flush()
    meant = [row for row in rows if not row.mutant.equivalent]
    caught = sum(row.caught for row in meant)
    named = sum(row.named for row in meant)
    share = 100 * caught / max(1, len(meant))
    sys.stdout.write(
        f"{caught} of {len(meant)} mutants caught ({share:.1f} %), {named} by their plane;"
        f" {len(rows) - len(meant)} argued equivalent; {time.monotonic() - began:.0f} s\n"
    )
    if chosen.markdown:
        sys.stdout.write("\n| mutant | plane | rule | caught by |\n|---|---|---|---|\n")
        for row in rows:
            first = ", ".join(row.failed[:3]) or "-"
            sys.stdout.write(f"| {row.mutant.name} | {row.mutant.plane} | {row.mutant.rule} | {first} |\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
