"""Faults on segments of the emulated chain, judged at every point."""

from __future__ import annotations

import json

import numpy as np
import pytest

from decoders.frame_structure import controlwords as cw
from monitor.campaign.chain_trial import MOST_HYPERFRAMES, chain_trial
from monitor.cli.main import main
from monitor.emulation.chain import EmulatedChain
from monitor.emulation.node_sender import RelaySender
from monitor.errors import InputError
from monitor.faults.verdict import Verdict
from monitor.reports.chain_text import chain_trial_lines
from monitor.sources.names import Segment


def chain() -> EmulatedChain:
    return EmulatedChain(option="1", pointer_p=50, load=0.5)


def test_every_point_sees_what_is_expected_there() -> None:
    faults = ["ctrl_axc.flip:segment=RE-1>RE-2", "line.dark@60:hyperframes=3,segment=RE-3>RE-2"]
    trial = chain_trial(chain, faults)
    assert trial.passed and [i.hyperframe for i in trial.injections] == [30, 60] and trial.hyperframes > 90
    verdicts = {result.point.name: result.verdict for result in trial.points}
    assert verdicts == {
        "REC-A>RE-1": Verdict.SILENT,
        "RE-1>RE-2": Verdict.DETECTED,
        "RE-2>RE-3": Verdict.DETECTED,
        "RE-3>RE-2": Verdict.DETECTED,
        "RE-2>RE-1": Verdict.BOUNDED,
        "RE-1>REC-A": Verdict.BOUNDED,
    }
    text = "\n".join(chain_trial_lines(trial))
    assert "pass  RE-1>RE-2              detected" in text
    assert text.endswith("pass: every point of the chain sees what is expected there")


def leaky_chain() -> EmulatedChain:
    """RE-2 passes reserved octets on, too."""
    made = chain()
    sender = made._outputs[Segment("RE-2", "RE-3")].sender
    assert isinstance(sender, RelaySender)
    sender._passed_on = np.append(sender._passed_on, cw.reserved_places("1", 2).flat)
    return made


def test_a_node_that_passes_on_what_it_must_not_fails() -> None:
    trial = chain_trial(leaky_chain, ["reserved.flip:segment=RE-1>RE-2"])
    failed = [result for result in trial.points if not result.verdict.passed]
    assert [result.point.name for result in failed] == ["RE-2>RE-3"]
    assert failed[0].findings[0].text == "reserved_changes: expected no change, observed +2"
    assert "fail: not as expected at RE-2>RE-3" in list(chain_trial_lines(trial))


def test_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["inject", "emulated:chain", "--option", "1", "--fault", "hdlc.fcs@9:segment=RE-2>RE-1", "--json"]
    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["schema"] == "framefray.inject/1" and told["passed"] and len(told["points"]) == 6
    moved = {point["point"]: point["moved"] for point in told["points"] if point["moved"]}
    assert moved == {"RE-2>RE-1": {"hdlc_fcs_errors": 1}}
    assert told["faults"][0]["segment"] == "RE-2>RE-1"


@pytest.mark.parametrize(
    ("source", "fault", "said"),
    [
        ("emulated:chain", "vendor.flip@9", "no segment is named"),
        ("emulated:chain", "vendor.flip@9:segment=RE-2>RE-4", "is not in the chain"),
        ("emulated:chain/RE-1>RE-2", "vendor.flip@9:segment=RE-2>RE-1", "name emulated:chain alone"),
        ("emulated:pair", "vendor.flip@9:segment=RE-2>RE-1", "there are no segments here"),
    ],
)
def test_what_cannot_be_is_one_line(
    source: str, fault: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["inject", source, "--fault", fault]) == 2
    error = capsys.readouterr().err
    assert said in error and error.count("\n") == 1


def test_the_end_of_a_trial() -> None:
    with pytest.raises(InputError, match="ends with hyperframe 9"):
        chain_trial(chain, ["iq.flip@10:segment=RE-1>RE-2"], 10)
    with pytest.raises(InputError, match=f"at most {MOST_HYPERFRAMES}"):
        chain_trial(chain, [f"iq.flip@{MOST_HYPERFRAMES}:segment=RE-1>RE-2"])
