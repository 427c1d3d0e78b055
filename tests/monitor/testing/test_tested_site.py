"""Sites in tests: a fault at one board, its consequences at the other and back; the example on two boards."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator

import pytest

import monitor.testing.pytest_plugin as plugin
from monitor.errors import InputError
from monitor.testing.expectations import LinkExpectationError
from monitor.testing.tested_site import EmulatedSite, LiveSite
from tests.monitor.testing.test_pytest_plugin import run
from tests.support.pairs import running_pair

pytest_plugins = ["pytester"]


@pytest.fixture
def site() -> EmulatedSite:
    site = EmulatedSite(option="1", nodes=("REC-A", "RE-1", "RE-2"), hdlc_rate_code=2)
    site.run(20)
    return site


def test_a_fault_counts_at_the_neighbour_and_comes_back(site: EmulatedSite) -> None:
    at = site["REC-A"].inject("line.violation:count=16")
    assert at >= site["RE-1"].hyperframe
    site.run(60)
    site["RE-1"].expect(code_violations=16, los_events=1, lof_events=1, within=30, others=None)
    site["REC-A"].expect(l1_alarm_changes=(2, 8), others=0)
    assert site["RE-1"].in_sync and site.names == ("REC-A", "RE-1", "RE-2")


def test_what_is_not_as_expected_is_named(site: EmulatedSite) -> None:
    site["REC-A"].inject("vendor.flip")
    with pytest.raises(
        LinkExpectationError, match="side effect: vendor_changes: expected no change, observed"
    ):
        site["RE-2"].expect(within=10)
    with pytest.raises(LinkExpectationError, match="missed: hdlc_fcs_errors"):
        site["RE-1"].expect(vendor_changes=2, hdlc_fcs_errors=1, within=10)
    assert site["RE-1"].verdict is None


def test_a_port_is_named_by_its_segment(site: EmulatedSite) -> None:
    site["RE-2"].inject("ethernet.fcs", to="RE-1")
    site["RE-2>RE-1"].expect(ethernet_fcs_errors=1, within=60, others=0)
    site["RE-1"].expect(others=0)
    assert site["RE-2>RE-1"].name == "RE-1" and site["RE-1"] is site["REC-A>RE-1"]
    assert [type(e).__name__ for e in site["RE-2>RE-1"].events].count("FrameReceived") > 0


def test_what_cannot_be_is_said(site: EmulatedSite) -> None:
    for wrong, text in (
        (lambda: site["RE-9"], "the site has no board 'RE-9'; there are REC-A, RE-1, RE-2"),
        (lambda: site["RE-1"].inject("hdlc.fcs"), "RE-1 has several neighbours; to=RE-2 or REC-A"),
        (lambda: site["REC-A"].inject("hdlc.fcs", to="RE-2"), "REC-A has no neighbour RE-2; to=RE-1"),
        (lambda: site["REC-A"].inject("hdlc.nothing"), "hdlc.nothing"),
        (lambda: site.run(0), "a site runs 1 hyperframe or more"),
        (lambda: EmulatedSite(option="10"), "emulated:chain has 8B/10B nodes"),
        (lambda: LiveSite([("A", "socket://h:1")]), "a site of boards has two of them, not 1"),
    ):
        with pytest.raises(InputError) as error:
            wrong()
        assert text in str(error.value)


# ---- the fixture on two boards -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def boards(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, ...]]:
    pytest.importorskip("tty", reason="no pseudo-terminals on this system")
    with running_pair(tmp_path_factory.mktemp("site"), "--pace", "750", "--option", "1") as (near, far, *_):
        yield f"--framefray-source=REC-A={near}", f"--framefray-source=RE-1={far}"


@pytest.mark.slow
def test_the_documented_example_passes_on_two_boards(
    pytester: pytest.Pytester, boards: tuple[str, ...]
) -> None:
    text = textwrap.dedent(plugin.__doc__ or "")
    (example,) = re.findall(r"^ *def test_a_loss_of_signal.*?\n\n", text, re.DOTALL | re.MULTILINE)
    pytester.makepyfile(
        textwrap.dedent(example)
        + textwrap.dedent(
            """
            def test_the_uplink_too(site):
                site["RE-1"].inject("ethernet.fcs")
                site["REC-A"].expect(ethernet_fcs_errors=1, within=100, others=0)
                site["RE-1"].expect(others=0)

            def test_a_link_is_emulated_all_the_same(link):
                link.run(5)
            """
        )
    )
    run(pytester, *boards).assert_outcomes(skipped=2, passed=1)
    run(pytester, *boards, "--framefray-yes").assert_outcomes(passed=3)


def test_boards_that_are_no_site_are_said(pytester: pytest.Pytester) -> None:
    pytester.makepyfile("def test_it(site): pass")
    result = run(pytester, "--framefray-source=REC-A=socket://127.0.0.1:1", "--framefray-yes")
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*a site of boards has two of them, not 1*"])
    result = run(pytester, "-rs", "--framefray-source=socket://127.0.0.1:1")
    result.stdout.fnmatch_lines(["*a site has two boards: give --framefray-source NAME=SOURCE twice*"])
