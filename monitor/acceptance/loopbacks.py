"""Loopbacks: the board's own way out and back, and the same through a cable."""

from __future__ import annotations

from typing import Any

from .meter import watch_points
from .quiet import judge_watch, passed_or_failed
from .results import AcceptanceOutcome, Check, NotObservable
from .stage import Raw, StageContext
from .stage_settings import LoopbackSettings, StageSettings

__all__ = ["Loopbacks"]


class Loopbacks:
    """No error in each loopback, and more delay through a cable than inside."""

    claims = "In each loopback the receiver got what the board sent, without an error."

    def hyperframes(self, settings: StageSettings, context: StageContext) -> float:
        assert isinstance(settings, LoopbackSettings)
        return float(settings.hyperframes * len(settings.which))

    def measure(self, context: StageContext) -> Raw:
        settings = context.stage.settings
        assert isinstance(settings, LoopbackSettings)
        if not settings.which:
            raise NotObservable("the plan names no loopback to set")
        loops: dict[str, Any] = {}
        for number, which in enumerate(settings.which):
            with context.rig.looped(which) as (streams, delay_ns):
                metered = watch_points(
                    streams,
                    settings.hyperframes,
                    interval=settings.hyperframes,
                    keeper=context.keeper(streams),
                )
            context.progress((number + 1) / len(settings.which))
            loops[which] = {"watch": metered.record, "delay_ns": delay_ns}
        return {"loops": loops}

    def judge(self, settings: StageSettings, raw: Raw) -> list[Check]:
        assert isinstance(settings, LoopbackSettings)
        loops = raw["loops"]
        checks = []
        for which in settings.which:
            if which not in loops:
                checks.append(Check(f"{which} loopback", AcceptanceOutcome.NOT_TESTED, "not measured"))
                continue
            checks += judge_watch(loops[which]["watch"], settings.hyperframes, which)
        if set(settings.which) == {"internal", "cable"} and set(loops) == {"internal", "cable"}:
            checks.append(self._cable(loops["internal"]["delay_ns"], loops["cable"]["delay_ns"]))
        elif "cable" in settings.which:
            text = "no internal loopback to hold its delay to, so nothing shows that the cable is in the loop"
            checks.append(Check("cable in the loop", AcceptanceOutcome.NOT_TESTED, text, essential=False))
        return checks

    def _cable(self, inside: float | None, through: float | None) -> Check:
        """That the cable is in the loop at all: only its delay tells."""
        name = "cable in the loop"
        if inside is None or through is None:
            return Check(
                name,
                AcceptanceOutcome.NOT_TESTED,
                "the board counts no delay, so nothing shows that the loop changed",
            )
        if inside == through:
            text = f"both loops take {inside:.1f} ns: nothing shows that the cable is in the loop"
            return Check(name, AcceptanceOutcome.NOT_TESTED, text)
        text = f"{through - inside:+.1f} ns against the internal loop"
        return Check(name, passed_or_failed(through > inside), text, through - inside, 0.0, "ns")
