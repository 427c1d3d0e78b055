"""IQ integrity: samples in, samples out; level, DC offset and error vector magnitude of a known tone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from decoders.arrays import U8
from decoders.errors import DecodersError
from decoders.frame_structure import controlwords as cw
from decoders.linerates import HYPERFRAMES_PER_FRAME, option_named
from decoders.link.decoder import HyperframeBlock
from decoders.user_plane.iq_map import IqMap
from decoders.user_plane.tone_fit import fit_tone

from .captures import read_kept_capture
from .meter import watch_points
from .quiet import judge_watch, passed_or_failed
from .results import AcceptanceOutcome, Check, NotObservable
from .rig import ToneStreams
from .stage import Raw, StageContext
from .stage_settings import IqSettings, StageSettings

__all__ = ["IqIntegrity", "measured_tones", "numbers_of", "tones_of_capture"]

_FITTED_HYPERFRAMES = 8
_SCATTER = 240


def _number(value: float) -> float | None:
    """For JSON: what is not finite is None."""
    return round(value, 6) if math.isfinite(value) else None


def measured_tones(
    octets: U8, iq_map: IqMap, tone_hz: Sequence[float], first_hyperframe: int = 0
) -> list[dict[str, Any]]:
    """The tone of each AxC in consecutive hyperframes' IQ octets (n, 256, 15, T/8)."""
    samples = iq_map.unpack(np.ascontiguousarray(octets), first_hyperframe % HYPERFRAMES_PER_FRAME * 256)
    rates = {member: axc.sample_rate_hz for axc in iq_map.axcs for member in axc.members}
    widths = {member: axc.sample_width for axc in iq_map.axcs for member in axc.members}
    rows = []
    for name, hz in zip(iq_map.names, tone_hz, strict=False):
        fit = fit_tone(samples[name], hz / rates[name], widths[name])
        rows.append(
            {
                "axc": name,
                "tone_hz": hz,
                "level_dbfs": _number(fit.level_dbfs),
                "dc_dbfs": _number(fit.dc_dbfs),
                "evm_percent": _number(fit.evm_percent),
                "samples": fit.samples,
            }
        )
    return rows


class _Taker:
    """Takes IQ octets of hyperframes, compares them with what was sent, and keeps the first ones."""

    def __init__(self, tones: ToneStreams) -> None:
        self._tones = tones
        self.compared = self.differing = 0
        self.first: list[U8] = []
        self.first_number = 0
        self.kept = 0

    def take(self, block: HyperframeBlock) -> None:
        octets = block.octets
        iq = octets[:, :, 1:, :]
        numbers = numbers_of(octets)
        if self.kept < _FITTED_HYPERFRAMES:
            if not self.kept:
                self.first_number = int(numbers[0])
            piece = iq[: _FITTED_HYPERFRAMES - self.kept].copy()
            self.first.append(piece)
            self.kept += len(piece)
        if self._tones.knows_octets:
            flat = iq.reshape(len(octets), -1)
            for start in range(0, len(octets), 64):
                piece = flat[start : start + 64]
                sent = np.concatenate([self._tones.sent(int(n), 1) for n in numbers[start : start + 64]])
                self.compared += piece.size
                self.differing += int(np.count_nonzero(piece != sent))

    @property
    def octets(self) -> U8:
        return np.concatenate(self.first) if self.first else np.empty((0, 256, 15, 1), np.uint8)


def numbers_of(octets: U8) -> np.ndarray[Any, np.dtype[np.int64]]:
    """BFN * 150 + HFN of hyperframes (n, 256, 16, T/8)."""
    control = octets[:, :, 0, 0].astype(np.int64)
    bfn = control[:, cw.X_BFN_LOW] | (control[:, cw.X_BFN_HIGH] & 0xF) << 8
    numbers: np.ndarray[Any, np.dtype[np.int64]] = bfn * HYPERFRAMES_PER_FRAME + control[:, cw.X_HFN]
    return numbers


def tones_of_capture(path: Path, iq_map: str, tone_hz: Sequence[float]) -> list[dict[str, Any]]:
    """The tones in the first whole hyperframes of a capture."""
    blocks: list[HyperframeBlock] = []

    def on_block(block: HyperframeBlock) -> None:
        if len(blocks) < 1:
            blocks.append(HyperframeBlock(block.first, block.octets[:_FITTED_HYPERFRAMES].copy()))

    read = read_kept_capture(path, on_block=on_block)
    if not blocks or not read["hyperframes"]:
        return []
    octets = blocks[0].octets
    option = _option_of(octets)
    return measured_tones(
        octets[:, :, 1:, :], IqMap.parse(option, iq_map), tone_hz, int(numbers_of(octets)[0])
    )


def _option_of(octets: U8) -> Any:
    from decoders.linerates import OPTIONS

    return next(option for option in OPTIONS.values() if option.word_octets == octets.shape[3])


class IqIntegrity:
    """Samples compared octet for octet where they are known, and the tones measured."""

    claims = (
        "IQ data arrived as they were sent, and the known tone has its level, without offset or distortion."
    )

    def hyperframes(self, settings: StageSettings, context: StageContext) -> float:
        assert isinstance(settings, IqSettings)
        return float(settings.hyperframes)

    def measure(self, context: StageContext) -> Raw:
        settings = context.stage.settings
        assert isinstance(settings, IqSettings)
        with context.rig.tones() as tones:
            point = tones.streams.points[0]
            iq_map = IqMap.parse(option_named(point.option), tones.iq_map)
            taker = _Taker(tones)
            keeper = context.keeper(tones.streams)
            metered = watch_points(
                tones.streams,
                settings.hyperframes,
                interval=settings.hyperframes,
                keeper=keeper,
                progress=context.progress,
                on_block=taker.take,
            )
            keeper.sample(0, "IQ data of the known tone")
        if not taker.kept:
            raise NotObservable("no hyperframe was received, so there are no samples")
        try:
            rows = measured_tones(taker.octets, iq_map, tones.tone_hz, taker.first_number)
        except DecodersError as error:
            raise NotObservable(str(error)) from None
        samples = iq_map.unpack(taker.octets, taker.first_number % HYPERFRAMES_PER_FRAME * 256)
        shown = samples[iq_map.names[0]][:_SCATTER].tolist()
        return {
            "point": point.name,
            "watch": metered.record,
            "iq_map": tones.iq_map,
            "nominal_dbfs": tones.level_dbfs,
            "tones": rows,
            "compared_octets": taker.compared,
            "differing_octets": taker.differing,
            "scatter": shown,
            "full_scale": 2 ** (iq_map.axcs[0].sample_width - 1),
        }

    def judge(self, settings: StageSettings, raw: Raw) -> list[Check]:
        assert isinstance(settings, IqSettings)
        checks = [self._samples(raw), *self._received(raw, settings.hyperframes)]
        for row in raw["tones"]:
            checks += self._tone(row, raw["nominal_dbfs"], settings)
        if not raw["tones"]:
            checks.append(Check("tone", AcceptanceOutcome.NOT_TESTED, "no tone is known in the IQ data"))
        return checks

    def _samples(self, raw: Raw) -> Check:
        compared, differing = raw["compared_octets"], raw["differing_octets"]
        if not compared:
            text = (
                "what was sent is not known to the octet; the tone in the first hyperframes alone is judged"
            )
            return Check("samples", AcceptanceOutcome.NOT_TESTED, text, essential=False)
        text = f"{differing} of {compared} octets of IQ data differ from those sent"
        return Check("samples", passed_or_failed(not differing), text, differing, 0, "octets")

    def _received(self, raw: Raw, wanted: int) -> list[Check]:
        """That the hyperframes came at all; errors on the line, too, where no octet could be compared."""
        kept = [
            "sync at ",
            "extent at ",
            "not visible at ",
            *([] if raw["compared_octets"] else ["errors at "]),
        ]
        return [check for check in judge_watch(raw["watch"], wanted) if check.name.startswith(tuple(kept))]

    def _tone(self, row: Raw, nominal: float, settings: IqSettings) -> list[Check]:
        name, level, dc, evm = row["axc"], row["level_dbfs"], row["dc_dbfs"], row["evm_percent"]
        off = math.inf if level is None else abs(level - nominal)
        level_text = "no tone" if level is None else f"{level:.3f} dBFS, nominal {nominal:g} dBFS"
        dc_text = "none" if dc is None else f"{dc:.1f} dBFS"
        good_dc = dc is None or dc <= settings.dc_limit_dbfs
        evm_text = "no tone" if evm is None else f"{evm:.3f} % r.m.s. over {row['samples']} samples"
        return [
            Check(
                f"level of {name}",
                passed_or_failed(off <= settings.level_tolerance_db),
                level_text,
                level,
                settings.level_tolerance_db,
                "dB",
            ),
            Check(f"DC of {name}", passed_or_failed(good_dc), dc_text, dc, settings.dc_limit_dbfs, "dBFS"),
            Check(
                f"EVM of {name}",
                passed_or_failed(evm is not None and evm <= settings.evm_limit_percent),
                evm_text,
                evm,
                settings.evm_limit_percent,
                "%",
            ),
        ]
