"""One injection in words."""

from __future__ import annotations

from dataclasses import replace

from monitor.campaign.campaign import Baselines
from monitor.campaign.cases import Case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.results import Excerpt
from monitor.reports.campaign_records import case_record
from monitor.reports.inject_text import inject_lines


def test_what_was_injected_expected_and_observed_in_this_order() -> None:
    conditions = LinkConditions(option="1", hyperframes=40)
    result = Baselines(conditions).case(Case(("hdlc.fcs@30",)))
    result = replace(result, excerpts=(Excerpt("hdlc.fcs@30", 1000, 1, ("7E", "A5", "00"), "wrong FCS"),))
    lines = list(inject_lines(result, case_record(result, conditions)))
    first = [line.split()[0] for line in lines[:5]]
    assert first[0] == "injected" and lines[0].startswith("injected  hdlc.fcs@30")
    assert "expected  hdlc_fcs_errors" in "\n".join(lines)
    assert "observed  hdlc_fcs_errors +1" in lines
    assert first.index("expected") < first.index("observed")
    around = lines.index("sent      wrong FCS, from octet 1000:")
    assert lines[around + 1] == "          7E [A5] 00"
    assert max(map(len, lines)) <= 80
