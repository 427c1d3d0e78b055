"""Files of a stage are told apart, and a context without a folder keeps nothing."""

from __future__ import annotations

from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.stage import StageContext
from tests.support.acceptance import short_plan


def test_two_keepers_of_a_stage_have_names_of_their_own() -> None:
    plan = short_plan("vendor", "loopback")
    context = StageContext(open_rig(plan), plan, plan.stages[1])
    assert context.stem == "02-loopback"
    with context.rig.watch() as streams:
        first, second = context.keeper(streams), context.keeper(streams)
        first.saw(0, next(streams.read())[1])
        first.failed(0, "x")
        second.failed(0, "x")
        context.finish()
    assert context.kept == []
