"""Bit error ratio to a bound at a confidence: the bits that takes are known beforehand.

The number of bits is fixed before the first one is counted, so the bound is that of Clopper and Pearson for a fixed
sample. Errors beyond those allowed end the stage: more bits would not make it a pass.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from decoders.error_performance.bit_error_ratio import BitErrorRatio, bits_needed, lower_bound
from decoders.error_performance.pn_sequences import PN_TAPS, PnChecker
from decoders.linerates import (
    BASIC_FRAMES_PER_HYPERFRAME,
    HYPERFRAMES_PER_SECOND,
    LineRateOption,
    option_named,
)
from decoders.link.decoder import HyperframeBlock

from ..errors import InputError
from .meter import Metered, watch_points
from .quiet import passed_or_failed
from .results import AcceptanceOutcome, Check, NotObservable
from .stage import Raw, StageContext
from .stage_settings import BerSettings, StageSettings

__all__ = ["ErrorRatio", "needed_bits", "needed_hyperframes"]

_LINE_ERRORS = ("code_violations", "disparity_errors", "block_header_errors")
_MOST_INTERVALS = 200


def pn_bits(option: LineRateOption) -> int:
    """Bits of IQ data in a hyperframe."""
    return BASIC_FRAMES_PER_HYPERFRAME * option.iq_bits_per_basic_frame


def line_bits(option: LineRateOption) -> int:
    """Bits of a hyperframe whose errors the line code shows: all of 8B/10B, the two header bits of each block."""
    if option.line_code == "8b10b":
        return option.hyperframe_line_bits
    return option.hyperframe_line_bits // 66 * 2


def needed_bits(settings: BerSettings) -> int:
    """Bits after which the bound can be claimed with the errors that are allowed."""
    return bits_needed(settings.bound, settings.confidence, settings.errors)


def needed_hyperframes(settings: BerSettings, option: LineRateOption, method: str) -> int:
    """Hyperframes that hold so many bits."""
    return math.ceil(
        needed_bits(settings) / (line_bits(option) if method == "line_code" else pn_bits(option))
    )


class _NoSequence(NotObservable):
    """The link was said to carry a sequence and does not."""


class ErrorRatio:
    """Errors in so many known bits."""

    claims = "At the stated confidence the bit error ratio is not above the bound, errors being independent."

    def hyperframes(self, settings: StageSettings, context: StageContext) -> float:
        assert isinstance(settings, BerSettings)
        return needed_hyperframes(settings, option_named(context.rig.option), settings.method)

    def measure(self, context: StageContext) -> Raw:
        settings = context.stage.settings
        assert isinstance(settings, BerSettings)
        if settings.order not in PN_TAPS:
            raise InputError(f"PN{settings.order} is none of {', '.join(f'PN{n}' for n in PN_TAPS)}")
        if settings.method == "line_code":
            return self._by_line_code(context, settings)
        try:
            return self._by_pn(context, settings)
        except _NoSequence:
            raise  # it should have been there: that the line code is clean is no answer to that
        except NotObservable:
            if settings.method == "pn":
                raise
        return self._by_line_code(context, settings)

    def _by_pn(self, context: StageContext, settings: BerSettings) -> Raw:
        checker = PnChecker(settings.order)
        needed = needed_bits(settings)

        def on_block(block: HyperframeBlock) -> None:
            checker.feed_octets(np.ascontiguousarray(block.octets[:, :, 1:, :]))

        with context.rig.pn(settings.order) as streams:
            option = option_named(streams.points[0].option)
            wanted = needed_hyperframes(settings, option, "pn")
            keeper = context.keeper(streams)
            metered = watch_points(
                streams,
                4 * wanted,
                interval=max(150, wanted // _MOST_INTERVALS),
                keeper=keeper,
                progress=lambda _: context.progress(checker.result.bits_checked / needed),
                on_block=on_block,
                stop=lambda: (
                    checker.result.bits_checked >= needed
                    or checker.result.errors > settings.errors
                    or checker.result.resyncs > 0
                ),
            )
            result = checker.result
            if not result.bits_checked and not result.resyncs and metered.in_sync[0]:
                raise _NoSequence(f"no PN{settings.order} sequence was found in the IQ data")
            if result.errors and not keeper.failures:
                keeper.failed(0, f"{result.errors} bits of the PN sequence differ", shows=False)
        at = {
            "point": streams.points[0].name,
            "bits": result.bits_checked,
            "errors": result.errors,
            "unlocked": result.bits_unlocked,
            "lock_losses": result.resyncs,
        }
        return self._raw(f"PN{settings.order}", [at], metered, settings)

    def _by_line_code(self, context: StageContext, settings: BerSettings) -> Raw:
        with context.rig.watch() as streams:
            points = streams.points
            if any(point.form.value == "octets" for point in points):
                raise NotObservable("octets do not show errors of the line code, and no PN sequence is known")
            option = option_named(points[0].option)
            wanted = needed_hyperframes(settings, option, "line_code")
            metered = watch_points(
                streams,
                wanted,
                interval=max(150, wanted // _MOST_INTERVALS),
                keeper=context.keeper(streams),
                progress=context.progress,
            )
        rows = []
        for i, point in enumerate(points):
            intervals = [each for each in metered.intervals if each.point == i]
            rows.append(
                {
                    "point": point.name,
                    "bits": line_bits(option) * sum(each.hyperframes for each in intervals),
                    "errors": sum(each.moved.get(name, 0) for each in intervals for name in _LINE_ERRORS),
                    "unlocked": 0,
                    "lock_losses": sum(each.moved.get("lof_events", 0) for each in intervals),
                }
            )
        return self._raw("line code", rows, metered, settings)

    def _raw(
        self, method: str, rows: list[dict[str, Any]], metered: Metered, settings: BerSettings
    ) -> Mapping[str, Any]:
        return {
            "method": method,
            "rows": rows,
            "needed_bits": needed_bits(settings),
            "watch": metered.record,
            "seconds_of_line": sum(i.hyperframes for i in metered.intervals if i.point == 0)
            / HYPERFRAMES_PER_SECOND,
        }

    def judge(self, settings: StageSettings, raw: Raw) -> list[Check]:
        assert isinstance(settings, BerSettings)
        checks = []
        needed = needed_bits(settings)
        for row in raw["rows"]:
            bits, errors = row["bits"], row["errors"]
            name = f"bit error ratio at {row['point']}"
            if not bits:
                checks.append(
                    Check(name, AcceptanceOutcome.FAIL, "no bit could be compared", None, settings.bound)
                )
                continue
            ratio = BitErrorRatio.of(bits, errors, settings.confidence)
            good = ratio.upper <= settings.bound and not row["lock_losses"]
            text = (
                f"{errors} errors in {bits:.4g} bits ({raw['method']}): at most {ratio.upper:.3g} at"
                f" {settings.confidence:.4g} confidence"
            )
            if row["lock_losses"]:
                text += f"; lock was lost {row['lock_losses']} times"
            elif not good and errors and lower_bound(bits, errors, settings.confidence) > settings.bound:
                text += "; the ratio is above the bound"
            elif not good:
                text += (
                    f"; the bound is not shown, which takes {needed:.4g} bits with {settings.errors} errors"
                )
            checks.append(
                Check(
                    name,
                    passed_or_failed(good),
                    text,
                    ratio.upper,
                    settings.bound,
                    "",
                    None,
                    settings.confidence,
                )
            )
        if raw["method"] == "line code":
            text = "two inverted bits that leave a valid character escape the line code"
            checks.append(Check("errors that cancel", AcceptanceOutcome.NOT_TESTED, text, essential=False))
        return checks
