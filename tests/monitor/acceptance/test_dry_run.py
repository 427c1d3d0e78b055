"""A dry run says what is needed, and what a board is made to do."""

from __future__ import annotations

import pytest

from monitor.acceptance.dry_run import planned_record, touched
from monitor.acceptance.opening_rigs import open_rig
from tests.support.acceptance import short_plan


def test_the_time_of_a_bit_error_ratio_is_known_beforehand() -> None:
    plan = short_plan("ber", settings={"ber": "bound = 1e-9"}, more="hyperframes_per_second = 1000")
    plan = short_plan("ber", source="socket://127.0.0.1:9", settings={"ber": 'bound = 1e-9\nmethod = "line_code"'},
                      more="hyperframes_per_second = 1000\noption = 2")  # fmt: skip
    (stage,) = planned_record(plan, open_rig(plan))["stages"]
    # 2.9957e9 bits (-ln 0.05) of 81 920 a hyperframe at 1000 of them a second.
    assert stage["seconds"] == pytest.approx(2.9957e9 / 81920 / 1000, rel=1e-3)
    assert "2.996e+09 bits for 1e-09 at 0.95 confidence with 0 errors, 2.44 s of line time" in stage["extent"]


def test_what_a_board_is_made_to_do_is_told_stage_by_stage() -> None:
    plan = short_plan("quiet", "delay", source="socket://127.0.0.1:9")
    rig = open_rig(plan)
    assert touched(plan, rig) == ["delay: resets its transceiver again and again"]
    assert touched(plan, rig, [1]) == []
    assert touched(short_plan(), open_rig(short_plan())) == []


def test_only_chosen_stages_are_in_it() -> None:
    plan = short_plan("quiet", "delay")
    record = planned_record(plan, open_rig(plan), [2])
    assert [stage["title"] for stage in record["stages"]] == ["2 delay"] and record["seconds"] > 0
