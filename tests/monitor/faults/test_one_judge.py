"""The same fault cases through everything that gives verdicts: one judge, the same words."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest

from monitor.campaign.campaign import Baselines, run_case
from monitor.campaign.cases import Case
from monitor.campaign.conditions import LinkConditions
from monitor.cli.main import main
from monitor.emulation.emulated_link import EmulatedSource
from monitor.faults.verdict import Verdict
from monitor.links.pipeline import Pipeline
from monitor.testing.tested_link import EmulatedLink
from monitor.tui.feed import Feed
from tests.support.boards import running_board

CASES: Mapping[str, tuple[Mapping[str, Any], Verdict]] = {
    "hdlc.fcs": ({"hdlc_fcs_errors": 1}, Verdict.DETECTED),
    "ethernet.code": ({"ethernet_code_errors": 1}, Verdict.DETECTED),
    "l1.rai": ({"l1_alarm_changes": 2}, Verdict.DETECTED),
    "line.disparity": ({"disparity_errors": 1}, Verdict.DETECTED),
    "sync.comma": ({"missed_sync_bytes": 1}, Verdict.DETECTED),
    "vendor.flip": ({"vendor_changes": 2}, Verdict.DETECTED),
    "iq.flip": ({}, Verdict.SILENT),
}
"""Fault, what it moves, and the verdict on a right receiver."""


def by_campaign(text: str) -> Verdict:
    return run_case(Case((text,)), Baselines(LinkConditions())).verdict


def by_screen(text: str) -> Verdict:
    pipeline = Pipeline(EmulatedSource(chunk_hyperframes=25, seed=5))
    feed = Feed(pipeline)
    for _ in range(13):
        pipeline.step()
    pipeline.inject(text)
    while not feed.judged or feed.waiting:
        pipeline.step()
        feed.read()
    (judged,) = feed.judged
    return judged.verdict


def by_fixture(text: str) -> Verdict:
    link = EmulatedLink()
    link.run(20)
    link.inject(text)
    link.expect(within=60, **CASES[text][0])
    assert link.verdict is not None
    return link.verdict


@pytest.mark.parametrize("text", CASES)
def test_campaign_inject_screen_and_fixture_agree(text: str, capsys: pytest.CaptureFixture[str]) -> None:
    verdict = CASES[text][1]
    assert main(["inject", "emulated", "--fault", text, "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["verdict"] == verdict.value
    assert [by_campaign(text), by_screen(text), by_fixture(text)] == [verdict] * 3


def test_a_board_on_a_pseudo_terminal_agrees(capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("tty", reason="no pseudo-terminals on this system")
    only = [word for text in CASES for word in ("--only", text)]
    with running_board("--pty", "--pace", "0", "--option", "1") as (name, _process):
        assert main(["campaign", name, "--yes", "--json", *only]) == 0
    record = json.loads(capsys.readouterr().out)
    verdicts = {case["case"]: case["verdict"] for case in record["cases"] if case["faults"]}
    wanted = {text: verdict for text, (_, verdict) in CASES.items()}
    wanted["iq.flip"] = Verdict.UNPROVEN  # what the board sends is not known, and no counter tells of IQ data
    assert verdicts == {text: verdict.value for text, verdict in wanted.items()}
