"""Makes the demonstration captures beside this file, and README.md with what is in them.

`python captures/make.py [FOLDER]`: the same commands as in README.md, so the same octets again.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from monitor.cli.main import main as framefray

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Demo:
    """One capture: its file, the arguments of craft, how to decode it, and what it is for."""

    file: str
    arguments: str
    decode: str
    meaning: str

    @property
    def command(self) -> str:
        return f"framefray craft {self.file} {self.arguments}"


DEMOS = (
    Demo(
        "clean.bits",
        "--option 2 --hyperframes 14 --seed 11 --bfn 100",
        "",
        "No faults: 1 228.8 Mbit/s, traffic on every plane. Every error counter stays 0.",
    ),
    Demo(
        "cm-faults.octets",
        "--option 1 --hyperframes 36 --seed 12 --fault ethernet.fcs@4 --fault hdlc.fcs@6"
        " --fault ethernet.code@12 --fault hdlc.abort@14:after=6 --fault vendor.value@20:ns=20,xs=1,value=165",
        "--form octets --option 1",
        "Damaged C&M frames at 614.4 Mbit/s, one of each kind, and a vendor specific octet that changes once."
        " The line and the sync are clean.",
    ),
    Demo(
        "line-faults.bits",
        "--option 1 --hyperframes 28 --seed 13 --lead-bits 7 --fault line.violation@6:count=3"
        " --fault line.disparity@8 --fault sync.comma@10 --fault line.slip@13:x=100,bits=1",
        "",
        "A bad line: symbols of neither column, one disparity error, a sync byte gone, and one bit too many, after"
        " which the receiver loses signal and frame and finds another word alignment. Seven bits come before the"
        " first symbol.",
    ),
    Demo(
        "frame-end.ffcap",
        "--option 1 --hyperframes 17 --seed 14 --bfn 4095 --hfn 141 --fault sync.hfn@4:value=200"
        " --fault vendor.value@6:ns=18,xs=0,value=90,hyperframes=2",
        "",
        "A recording with its settings and faults in it. BFN goes from 4095 to 0 and HFN from 149 to 0, where"
        " nothing may be counted; one HFN cannot be, and one vendor octet changes and changes back. The third vendor"
        " change is the sender's own.",
    ),
)


def make(folder: Path) -> None:
    """Write every capture and README.md into `folder`."""
    sections = []
    folder = folder.resolve()
    before = Path.cwd()
    with TemporaryDirectory() as scratch:
        truth = Path(scratch) / "truth.json"
        os.chdir(folder)
        try:
            for demo in DEMOS:
                with contextlib.redirect_stderr(io.StringIO()):
                    words = [demo.file, *demo.arguments.split(), "--truth", str(truth), "--force"]
                    status = framefray(["craft", *words])
                if status:
                    raise SystemExit(f"{demo.command}: exit status {status}")
                sections.append(_section(demo, json.loads(truth.read_text())))
        finally:
            os.chdir(before)
    (folder / "README.md").write_text(_HEAD + "\n".join(sections) + _TAIL, encoding="utf-8")


def _section(demo: Demo, truth: dict[str, object]) -> str:
    counters = truth["counters"]
    assert isinstance(counters, dict)
    rows = "".join(f"| `{name}` | {value} |\n" for name, value in counters.items() if value)
    decode = " ".join(["framefray decode", f"captures/{demo.file}", *demo.decode.split(), "--json"])
    return (
        f"## {demo.file}\n\n{demo.meaning}\n\n```\n{demo.command}\n{decode}\n```\n\n"
        f"{truth['hyperframes']} hyperframes in sync.\n\n| counter | value |\n| --- | --- |\n{rows}"
    )


_HEAD = """\
# Demonstration captures

Crafted, not recorded: the site Saltmarsh, its nodes REC-A and RE-1 do not exist. Each section
gives the command that made the file (`python captures/make.py` runs them all), one that reads it, and what decoding
must find; a counter that is not named stays 0. The sender wrote down what it injected, and where a fault's
consequence hangs on the traffic around it, worked out by a receiver that shares no code with the decoder.
`saltmarsh-site.toml` is a site file: its sources are the points of the emulated chain.

"""

_TAIL = """
## saltmarsh.toml

Not a capture: the acceptance plan of the emulated site, for `framefray accept` ([plan
reference](../monitor/acceptance/PLAN.md)).
"""


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
