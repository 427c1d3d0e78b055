"""The plan reference, PLAN.md, made from the settings themselves: python -m monitor.acceptance.plan_reference."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Iterator
from typing import Any

from .stage_settings import STAGE_SETTINGS
from .stages import STAGES

__all__ = ["reference_page"]

_HEAD = """\
# What a plan may say

A plan is a TOML file. Five lines are enough:

```toml
name = "bench 3"
source = "/dev/ttyUSB0"
option = "2"
rates = ["2"]
leave_out = ["rates"]
```

`framefray accept PLAN.toml --dry-run` prints what a run of it does, how long it takes, and what makes a board
transmit or reset. A mistake is one line that names the file, the line and the key.

## Keys at the top

| key | is | default |
|---|---|---|
| `name` | title of the report | `acceptance` |
| `source` | `emulated`, `emulated:pair`, `emulated:chain`, or a board's device or URL | needed |
| `option` | line bit rate option, 1 to 10 or 7A | that of the board; 2 where it is emulated |
| `rates` | options that the stage `rates` goes through, in this order | the option alone |
| `leave_out` | kinds of stage that are left out; the report lists them as not tested | none |
| `pointer_p`, `hdlc_rate_code`, `seed` | settings of an emulated link | 40, the highest of the option, 1 |
| `baud` | bit rate of a serial device | 3000000 |
| `wait_s` | how long the run waits for a board that is gone, in seconds | 300 |
| `hyperframes_per_second` | how fast line data arrive from a board, for the times of `--dry-run` | 750 |
| `[equipment]` | names and texts for the first page: serial numbers, firmware, instruments | none |
| `[settings.KIND]` | settings of every stage of a kind | those below |
| `[[stage]]` | one stage; with any of them, exactly these run, in this order, as often as written | every kind once |
| `[board]` | what a board sends, as far as it is known | nothing is known |
| `[emulated]` | how an emulated link behaves; the defaults are right | see below |

Every `[[stage]]` has `kind`, may have `name` and `required`, and the settings of its kind. The verdict on the run is
`pass` only where every required stage passed; a stage that could not observe what it claims is `not tested`, with
the reason, and is no pass. Set `required = false` for a stage that the equipment cannot show.

## Stages
"""

_TAIL = """\
## `[board]`: what a board sends

What a board sends is its own. Where the plan does not say what it is, it cannot be compared, and the stage says so.

| key | is |
|---|---|
| `iq_map` | AxC containers, for example `"M=15,fs=15.36,n=2"` (as `export --iq-map`) |
| `tone_hz`, `level_dbfs` | frequency of the tone in each AxC in turn, and their level |
| `pn_order` | order of a PN sequence (ITU-T O.150) that fills all IQ data blocks |
| `sequence_offset`, `sequence_octets` | running number of each Ethernet frame: place, length; high octet first |

The stage `cm_integrity` has the board send numbered frames of this program; a board that cannot do that needs running
numbers of its own, and `planes = ["ethernet"]`.

## `[emulated]`: a link with defects

To see what a stage makes of a defect, and in tests: `length_m` of fibre each way, `ber` of the line, `compensation`
(`correct`, `missing`, `wrong-sign`, `off-by-one`, `off-by-one-low`), `drift_clocks` and `step_clocks` of the delay,
`drop_frame_every` (this C&M frame of so many is not sent), `swapped_pair`, `answers_rai`, `iq_gain_db`, `faults` (a
list of faults for each watch), and `receiver` (`MODULE:CLASS` for the campaign). The chain takes `faults` with their
`segment=` and `length_m` only.

## The evidence folder

| file | is |
|---|---|
| `report.html` | one file for screen and A4 paper; first page: verdict, tested, not tested, equipment, signatures |
| `report.json`, `junit.xml` | the same for programs |
| `plan.toml` | the plan as it was run |
| `versions.json` | what ran |
| `stages/NN-KIND.json` | everything that a stage measured |
| `captures/*.ffcap` | line data around the first failures of a stage, and a clean sample |
| `journal.jsonl` | when each stage was begun and ended, every interruption |
| `manifest.json` | SHA-256 of every file |
| `INCOMPLETE` | there until the run is finished |

`framefray evidence check FOLDER` holds the files to the manifest, decodes the captures anew, derives the verdicts
anew from the stages' results and the captures, and derives the reports anew, octet for octet. It says where they
differ. It shows damage and a verdict that does not follow; it is no proof against somebody who makes up all of it:
for that, sign `manifest.json` with a tool of your own.

`framefray evidence diff A B` says what changed between two runs, and whether by more than the uncertainty of both.

`--resume` goes on with an incomplete run. Stages that are done stay as they are, passed or not; one that was
interrupted begins anew, and the report says how often it was begun.
"""


def reference_page() -> str:
    """The whole page."""
    return _HEAD + "\n".join(_stages()) + "\n" + _TAIL


def _stages() -> Iterator[str]:
    for kind, settings in STAGE_SETTINGS.items():
        yield ""
        yield f"### `{kind}`"
        yield ""
        yield f"A pass means: {STAGES[kind].claims}"
        yield ""
        yield "| setting | is | default | range |"
        yield "|---|---|---|---|"
        for field in dataclasses.fields(settings):
            limits = field.metadata
            yield f"| `{field.name}` | {limits['text']} | {_value(field.default)} | {_range(field.default, limits)} |"
    yield ""


def _value(value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(value) or "none"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _range(value: Any, limits: Any) -> str:
    if limits["choices"]:
        return ", ".join(limits["choices"])
    if isinstance(value, int | float):
        return f"{limits['low']:g} to {limits['high']:g}"
    return "texts"


if __name__ == "__main__":
    sys.stdout.write(reference_page())
