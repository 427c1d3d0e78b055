"""Settings of stages: defaults lie within their limits, and each says what it is."""

from __future__ import annotations

import dataclasses

from monitor.acceptance.stage_settings import STAGE_SETTINGS
from monitor.acceptance.stages import STAGES


def test_every_default_is_one_that_a_plan_may_give() -> None:
    for kind, settings in STAGE_SETTINGS.items():
        for field in dataclasses.fields(settings):
            value, limits = getattr(settings(), field.name), field.metadata
            assert limits["text"], (kind, field.name)
            if isinstance(value, int | float):
                assert limits["low"] <= value <= limits["high"], (kind, field.name)
            elif limits["choices"]:
                values = (value,) if isinstance(value, str) else value
                assert set(values) <= set(limits["choices"]), (kind, field.name)


def test_every_kind_of_stage_has_settings() -> None:
    assert list(STAGES) == list(STAGE_SETTINGS)
