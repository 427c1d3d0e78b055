"""Reduced campaigns at 64B/66B, with RS-FEC, and scrambled: every fault is told under its own heading."""

from __future__ import annotations

import pytest

from decoders.line_coding.characters import LineForm
from monitor.campaign.campaign import Baselines, run_case
from monitor.campaign.cases import Case, choose, every_case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.rules import default_cases, rules_of
from monitor.campaign.transmission import transmit
from monitor.cli.main import main
from monitor.errors import InputError
from monitor.faults.catalogue import parse_fault
from monitor.faults.injector import check_fault
from monitor.faults.verdict import Verdict

BLOCKS = LinkConditions(option="8", hyperframes=24)
WITH_FEC = LinkConditions(option="8", fec=True, hyperframes=24)
SCRAMBLED = LinkConditions(option="7", scrambling=0x12345678, hyperframes=24)
QUICK = {
    "blocks": (BLOCKS, ("line.flip", "line.violation", "line.violation:count=15", "line.violation:count=16",
                        "line.header",
                        "line.sync_pair", "line.slip", "line.invert", "sync.comma:count=3", "sync.terminate_only",
                        "sync.start_only", "sync.filler", "sync.hfn", "vendor.flip", "iq.flip")),
    "fec": (WITH_FEC, ("line.flip", "line.violation", "line.header", "fec.symbols", "fec.pn", "fec.phase",
                       "sync.comma", "iq.flip")),
    "scrambled": (SCRAMBLED, ("line.flip", "line.k", "sync.comma:count=3", "sync.filler", "scrambling.seed",
                              "scrambling.seed:seed=0", "l1.version", "iq.flip")),
}  # fmt: skip
TITLED = (
    "line.violation, 15 in 64 blocks", "line.violation, 16 in 64 blocks", "line.k, /T/ in each octet of a block",
    "line.sync_pair while sync is lost", "alignment offset 65", "line.flip at many bits of a block",
)  # fmt: skip


@pytest.mark.parametrize("name", QUICK)
def test_a_reduced_campaign_passes(name: str) -> None:
    conditions, wanted = QUICK[name]
    bench = Baselines(conditions)
    chosen = [case for case in choose(every_case(), wanted) if not case.is_baseline]
    assert len(chosen) == len(wanted)
    for case in chosen:
        result = run_case(case, bench)
        assert result.passed and result.verdict is not Verdict.LEFT_OUT, [f.text for f in result.findings]
        assert result.held > 100


def test_cases_of_the_rules_of_blocks_pass() -> None:
    bench = Baselines(BLOCKS)
    cases = {case.name: case for case in default_cases(BLOCKS)}
    for name in TITLED:
        result = run_case(cases[name], bench)
        assert result.passed and result.verdict is not Verdict.LEFT_OUT, [f.text for f in result.findings]
    assert run_case(cases[TITLED[0]], bench).moved == {"block_header_errors": 15}
    assert run_case(cases[TITLED[1]], bench).moved["block_lock_losses"] == 1


def test_los_by_bad_headers_is_not_judged_and_the_report_says_so() -> None:
    """Which count raises LOS at 64B/66B is an open reading, so no verdict rests on it."""
    result = run_case(Case(("line.violation:count=16",)), Baselines(BLOCKS))
    assert result.declared is not None and not result.declared.expectation.raised
    assert "los_events" in result.declared.expectation.tolerated
    assert any("LOS" in line for line in BLOCKS.not_proven)
    assert any("header rule" in line for line in WITH_FEC.not_proven)
    assert SCRAMBLED.not_proven == []


@pytest.mark.parametrize("option", ["7A", "8", "9", "10"])
@pytest.mark.parametrize("fec", [False, True])
def test_each_rule_has_a_case_that_can_be_sent(option: str, fec: bool) -> None:
    usual = LinkConditions(option=option, fec=fec)

    def fits(case: Case) -> bool:
        conditions = case.conditions(usual)
        try:
            for text in case.faults:
                codes = conditions.pointer_p, conditions.rate_code
                check_fault(parse_fault(text), conditions.line, *codes, fec=fec)
        except InputError:
            return False
        return True

    for rule in rules_of(usual):
        assert any(fits(case) for case in rule.cases), rule.text


@pytest.mark.parametrize("xor", [False, True])
def test_the_header_rule_is_of_the_link(xor: bool) -> None:
    sent = transmit(LinkConditions(option="8", fec=True, fec_header_xor=xor), (), 8)
    other = transmit(LinkConditions(option="8", fec=True, fec_header_xor=not xor), (), 8)
    assert sent.chunks != other.chunks
    bench = Baselines(LinkConditions(option="8", fec=True, fec_header_xor=xor, hyperframes=8))
    assert run_case(Case(("fec.symbols",)), bench).passed


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--option", "2", "--fec", "on"], "no RS-FEC"),
        (["--option", "8", "--scrambling", "1"], "no scrambling"),
        (["--option", "8", "--via", "craft", "--form", "symbols"], "symbols is not valid for option 8"),
        (["--option", "8", "--fec", "on", "--via", "craft", "--form", "blocks"], "behind RS-FEC"),
    ],
)
def test_a_link_that_is_not_is_refused(
    words: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["campaign", "emulated", *words]) == 2
    assert message in capsys.readouterr().err


@pytest.mark.parametrize("form", [LineForm.OCTETS, LineForm.FLAGGED, LineForm.BLOCKS])
def test_crafted_forms_of_blocks(form: LineForm) -> None:
    bench = Baselines(LinkConditions(option="7A", crafted=True, form=form, hyperframes=16))
    for name in ("line.header", "line.violation", "sync.terminate_only", "hdlc.fcs"):
        result = run_case(Case((name,)), bench)
        assert result.passed, (name, [f.text for f in result.findings])
