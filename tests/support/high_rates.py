"""Captures of options 7A to 10 and of version 2, with their truth, made once and kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from decoders.events import Event
from decoders.line_coding.characters import LineForm
from decoders.linerates import OPTIONS
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.emulation.crafting import craft
from monitor.emulation.line_settings import LineSettings
from monitor.faults.catalogue import parse_fault
from monitor.reference.line_code import Characters
from monitor.reference.receiver import (
    ReferenceResult,
    ReferenceSettings,
    receive_blocks,
    receive_characters,
)

__all__ = ["CraftedStream", "crafted_stream", "decoded_stream", "differences", "seen_by_reference"]


@dataclass(frozen=True, slots=True)
class CraftedStream:
    option: str
    form: LineForm
    line: LineSettings
    data: bytes
    truth: dict[str, Any]


@lru_cache(maxsize=24)
def crafted_stream(
    option: str,
    form: LineForm,
    line: LineSettings = LineSettings(),  # noqa: B008 - frozen
    faults: Sequence[str] = (),
    hyperframes: int = 9,
    lead_bits: int = 0,
    pointer_p: int = 40,
) -> CraftedStream:
    """A capture with full C&M channels."""
    out = bytearray()
    code = 6 if OPTIONS[option].word_octets >= 8 else 2
    made = craft(
        SenderSettings(option=option, hdlc_rate_code=code, pointer_p=pointer_p, bfn=4095, hfn=145),
        hyperframes,
        form,
        out.extend,
        seed=7,
        faults=[parse_fault(text) for text in faults],
        lead_bits=lead_bits,
        line=line,
    )
    return CraftedStream(option, form, line, bytes(out), made.truth)


def seen_by_reference(stream: CraftedStream) -> ReferenceResult:
    """What the reference receiver, told the option alone, has to say of a stream."""
    settings = ReferenceSettings(stream.option)
    if OPTIONS[stream.option].line_code == "64b66b":
        return receive_blocks(stream.data, stream.form.value, settings)
    read = {
        LineForm.OCTETS: Characters.from_octets,
        LineForm.FLAGGED: Characters.from_flagged,
        LineForm.SYMBOLS: Characters.from_symbols,
    }[stream.form]
    return receive_characters(read(stream.data), settings, stream.form.has_flags)


def decoded_stream(stream: CraftedStream) -> tuple[LinkDecoder, list[Event]]:
    """The link decoder behind a stream, told option and form alone, and its events."""
    decoder = LinkDecoder(LinkSettings(option=stream.option, form=stream.form))
    events = decoder.receive(stream.data)
    return decoder, events + decoder.finish()


def differences(decoder: LinkDecoder, seen: ReferenceResult) -> dict[str, tuple[Any, Any]]:
    """What decoder and reference do not agree on: counters, hyperframes, state, what is left over."""
    pairs: dict[str, tuple[Any, Any]] = {
        name: (decoder.counters[name], count) for name, count in seen.counters.items()
    }
    pairs |= {
        "hyperframes": (decoder.hyperframes, seen.hyperframes),
        "acquired_at_hyperframe": (decoder.acquired_at_hyperframe, seen.acquired_at_hyperframe),
        "trailing_octets": (decoder.trailing_octets, seen.trailing_octets),
        "lof": (decoder.state.lof, seen.sync_state in ("XACQ1", "XACQ2")),
        "seed": (decoder.scrambling_seed, None if seen.scrambling is None else seen.scrambling["seed"]),
    }
    return {name: pair for name, pair in pairs.items() if pair[0] != pair[1]}
