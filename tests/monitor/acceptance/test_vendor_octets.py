"""Vendor specific octets: each value at its own place, and gone again."""

from __future__ import annotations

from typing import Any

import pytest

from decoders.frame_structure.controlwords import vendor_places
from tests.support.acceptance import result_of, short_plan, stage_of


def row(**changes: Any) -> dict[str, Any]:
    return {"place": [20, 1, 0], "value": 1, "arrived": True, "went": True, "elsewhere": []} | changes


@pytest.mark.parametrize(
    ("changes", "check"),
    [
        ({}, None),
        ({"arrived": False, "went": False}, "values"),
        ({"went": False}, "return"),
        ({"elsewhere": [[21, 1, 0]]}, "places"),
    ],
)
def test_a_row_and_the_check_that_fails(changes: dict[str, Any], check: str | None) -> None:
    result = result_of(short_plan("vendor"), {"rows": [row(), row(**changes)]})
    assert [each.name for each in result.failed_checks] == ([check] if check else [])


def test_no_place_is_no_pass() -> None:
    assert not result_of(short_plan("vendor"), {"rows": []}).passed


def test_places_are_vendor_places_spread_over_all_and_none_that_moves_by_itself() -> None:
    raw = stage_of(short_plan("vendor", settings={"vendor": "places = 5"})).raw
    places = [tuple(each["place"]) for each in raw["rows"]]
    known = {tuple(p) for p in vendor_places("2", 40).triples.tolist()}
    assert len(set(places)) == 5 and set(places) <= known
    assert not set(places) & {tuple(p) for p in raw["own_places"]} and raw["own_places"]
    assert len({ns for ns, _, _ in places}) > 2
