"""A plan's source decides which rig it is."""

from __future__ import annotations

import pytest

from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.plan import parse_acceptance_plan
from monitor.errors import InputError


@pytest.mark.parametrize(
    ("source", "kind"),
    [("emulated", "EmulatedRig"), ("emulated:pair", "EmulatedRig"), ("socket://127.0.0.1:9", "BoardRig")],
)
def test_the_rig_of_a_source(source: str, kind: str) -> None:
    assert type(open_rig(parse_acceptance_plan(f'source = "{source}"'))).__name__ == kind


def test_an_emulated_link_that_does_not_exist() -> None:
    with pytest.raises(InputError, match="does not exist"):
        open_rig(parse_acceptance_plan('source = "emulated:ring"'))
