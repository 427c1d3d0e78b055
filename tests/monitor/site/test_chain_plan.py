"""The emulated chain as a site."""

from __future__ import annotations

import pytest

from monitor.cli.main import main
from monitor.emulation.chain import EmulatedChain
from monitor.errors import InputError
from monitor.site.chain_plan import plan_of_chain
from monitor.site.plan import parse_site_plan


def test_every_point_of_the_chain_is_a_source_of_the_site() -> None:
    chain = EmulatedChain(option="1", lengths_m=(10.0, 20.0))
    plan = plan_of_chain(chain)
    assert {point.name for point in plan.points} == {point.name for point in chain.points}
    assert all(point.source == f"emulated:chain/{point.name}" for point in plan.points)
    assert [segment.length_m for segment in plan.segments] == [10.0, 20.0, 20.0]
    assert plan.roots == ("REC-A",) and plan.downstream("RE-1") == ("RE-2",)


def test_points_of_the_chain_can_stand_in_a_site_file() -> None:
    text = 'name = "x"\n[[boards]]\nname = "RE-2"\nsource = "emulated:chain/{}"\n'
    (point,) = parse_site_plan(text.format("RE-1>RE-2")).points
    assert point.source == "emulated:chain/RE-1>RE-2"
    with pytest.raises(InputError, match=r"line 4: source: .* is not SENDER>RECEIVER"):
        parse_site_plan(text.format("RE-1"))


def test_the_demo_of_the_chain_without_a_screen(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--chain", "--headless", "--option", "1", "--hyperframes", "170"]) == 0
    out = capsys.readouterr().out
    links = {part.partition(":")[0]: part for part in out.split("\n\n")[1:]}
    assert set(links) == {point.name for point in EmulatedChain().points}
    assert "hdlc 1" in links["RE-3>RE-2"] and "errors       none" in links["RE-2>RE-1"]
    assert "5 lost" in links["REC-A>RE-1"] and "expected at RE-1>RE-2, RE-2>RE-3" in out
