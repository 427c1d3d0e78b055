"""How a link is in one word."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.links.pipeline import Pipeline
from monitor.links.watched_link import LinkState, WatchedLink
from monitor.sources.source import Standstill
from tests.support.screen_fakes import FakeSource


@pytest.mark.parametrize(
    ("still", "ended", "failure", "state"),
    [
        (None, False, "", LinkState.UP),
        (Standstill(3.0, False), False, "", LinkState.SILENT),
        (Standstill(3.0, True), False, "", LinkState.DOWN),
        (Standstill(3.0, True), True, "", LinkState.ENDED),
        (None, True, "unplugged", LinkState.FAILED),
    ],
)
def test_the_gravest_state_is_told(
    still: Standstill | None, ended: bool, failure: str, state: LinkState
) -> None:
    snapshot = replace(Pipeline(FakeSource()).snapshot(), standstill=still, ended=ended)
    assert WatchedLink("RE-1", snapshot, failure=failure).state is state
