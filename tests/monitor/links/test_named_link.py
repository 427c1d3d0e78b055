"""How a link is in one word."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.links.named_link import DataState, NamedLink
from monitor.links.pipeline import Pipeline
from monitor.sources.source import Standstill
from tests.support.screen_fakes import FakeSource


@pytest.mark.parametrize(
    ("still", "ended", "failure", "state"),
    [
        (None, False, "", DataState.UP),
        (Standstill(3.0, False), False, "", DataState.SILENT),
        (Standstill(3.0, True), False, "", DataState.DOWN),
        (Standstill(3.0, True), True, "", DataState.ENDED),
        (None, True, "unplugged", DataState.FAILED),
    ],
)
def test_the_gravest_state_is_told(
    still: Standstill | None, ended: bool, failure: str, state: DataState
) -> None:
    snapshot = replace(Pipeline(FakeSource()).snapshot(), standstill=still, ended=ended)
    assert NamedLink("RE-1", snapshot, failure=failure).state is state


def test_a_source_that_is_tried_again_is_waited_for() -> None:
    snapshot = Pipeline(FakeSource()).snapshot()
    assert NamedLink("RE-1", snapshot, waiting="refused").state is DataState.WAITING
