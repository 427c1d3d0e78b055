"""`watch` of a site without a terminal, and the words that name one."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.commands.site_watch import _ObservedSiteLink, _SiteTeller, plan_of_one, plan_of_words
from monitor.errors import InputError
from monitor.links.named_link import NamedLink
from monitor.metrics.exposition import LinkTotals, metric_families
from monitor.opening import SourceRequest
from monitor.site.plan import SitePlan
from monitor.site.site import SiteLink
from monitor.tui.plain_lines import PlainLines
from tests.support.commands import outcome
from tests.support.sites import chain_plan, waiting_site

CAPTURES = Path(__file__).parents[3] / "captures"


def planned(words: list[str]) -> SitePlan | None:
    return plan_of_words(words, SourceRequest(source=""))


def test_words_that_name_a_site() -> None:
    assert planned(["one.bits"]) is None and planned(["RE-1=one.bits"]) is None
    plan = planned(["RE-1=one.bits", "two.bits"])
    assert plan is not None and [point.name for point in plan.points] == ["RE-1", "link-2"]
    plan = planned([str(CAPTURES / "saltmarsh-site.toml")])
    assert plan is not None and plan.name == "Saltmarsh"
    plan = planned(["emulated:chain"])
    assert plan is not None and len(plan.points) == 6
    with pytest.raises(InputError, match="a site file stands alone"):
        planned([str(CAPTURES / "saltmarsh-site.toml"), "two.bits"])
    with pytest.raises(InputError, match=r"none\.toml: No such file"):
        planned(["none.toml"])


def test_one_source_as_a_site() -> None:
    assert [point.name for point in plan_of_one("RE-1", "one.bits").points] == ["RE-1"]
    assert [point.name for point in plan_of_one(None, "one.bits").points] == ["one.bits"]
    with pytest.raises(InputError, match="record it first"):
        plan_of_one(None, "-")


def test_a_site_in_words(capfd: pytest.CaptureFixture[str]) -> None:
    words = [f"RE-1={CAPTURES / 'clean.bits'}", f"RE-2={CAPTURES / 'cm-faults.octets'}"]
    status, out, err = outcome(capfd, "watch", "--headless", *words)
    assert status == 0 and err == ""
    assert "site: 2 links" in out and "RE-1: ended" in out
    # captures/README.md: two damaged frames of each C&M channel.
    assert "  hyperframes  36 decoded, 0 lost, 0 not received\n  errors       hdlc 2, ethernet 2\n" in out
    status, out, err = outcome(capfd, "watch", "--headless", words[0], "RE-2=nothere.bits")
    assert status == 2 and "RE-2: failed (nothere.bits: No such file or directory)" in out
    assert "no hyperframe sync found: RE-2" in err


def test_a_mistake_in_a_site_file_is_one_line(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.toml"
    path.write_text('[[boards]]\nname = "RE-1"\nsorce = "x.bits"\n')
    status, out, err = outcome(capfd, "watch", path)
    assert (status, out) == (2, "")
    assert err == f"framefray: {path}: line 3: unknown key 'sorce'; did you mean 'source'?\n"


def test_one_named_source_is_the_screen_of_one_link(capfd: pytest.CaptureFixture[str]) -> None:
    status, out, _ = outcome(capfd, "watch", "--headless", f"RE-1={CAPTURES / 'clean.bits'}")
    assert status == 0 and "clean.bits" in out


def test_a_site_in_lines_of_text_and_its_metrics(capfd: pytest.CaptureFixture[str]) -> None:
    """Each line begins with its link; a link that cannot be read does not hide the others."""
    told: dict[str, NamedLink] = {}
    real = SiteLink.named

    def link(site_link: SiteLink) -> NamedLink:
        named = real(site_link)
        told[named.name] = named
        return named

    words = [f"RE-1={CAPTURES / 'cm-faults.octets'}", "RE-2=nothere.bits", f"RE-3={CAPTURES / 'clean.bits'}"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SiteLink, "named", link)
        status, out, err = outcome(
            capfd, "watch", "--plain", "--no-traffic", "--metrics", "127.0.0.1:0", *words
        )
    assert status == 2 and "no hyperframe sync found: RE-2" in err
    lines = out.partition("site: 3 links")[0].splitlines()
    assert lines and all(re.match(r"RE-[123] (hf|line:|status)", line) for line in lines)
    assert any(re.match(r"RE-1 hf \d+ fast C&M error, wrong FCS", line) for line in lines)
    assert any(line.startswith("RE-2 line: reading stopped: nothere.bits: No such file") for line in lines)
    assert sum(" status " in line for line in lines) >= 3
    text = {family.name: family for family in metric_families(told.values(), LinkTotals())}
    states = {
        (sample.labels["board"], sample.labels["state"])
        for sample in text["framefray_link_state"].samples
        if sample.value
    }
    assert states == {("RE-1", "ended"), ("RE-2", "failed"), ("RE-3", "ended")}
    counted = {s.labels["board"]: s.value for s in text["framefray_ethernet_fcs_errors"].samples}
    assert counted == {"RE-1": 1, "RE-2": 0, "RE-3": 0}


def test_a_finding_is_told_once(capsys: pytest.CaptureFixture[str]) -> None:
    found = ["! hdlc damaged on RE-1>RE-2"]
    site = waiting_site(chain_plan(1), lambda links: list(found))
    teller = _SiteTeller(site, [(_ObservedSiteLink(link), PlainLines(link.name)) for link in site.links], 1e9)
    assert teller.tell() and teller.tell()
    found.insert(0, "! vendor damaged on RE-2>RE-3 \x1b[2J")
    teller.tell()
    told = [line for line in capsys.readouterr().out.splitlines() if "damaged" in line]
    assert told == [
        "Saltmarsh ! hdlc damaged on RE-1>RE-2",
        "Saltmarsh ! vendor damaged on RE-2>RE-3 \\x1b[2J",
    ]
