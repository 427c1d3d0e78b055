"""Results of decoding as plain text for a terminal or a log: 80 columns, no colour, only printable characters."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping

from decoders.counters import COUNTERS_OF_PLANE
from decoders.events import Plane
from decoders.line_coding.block_forms import fec_shows
from decoders.linerates import HYPERFRAMES_PER_SECOND, SIXTY_FOUR_SIXTY_SIX
from decoders.link.decoder import LinkDecoder
from decoders.link.startup import StartupState

from ..text import counted, gaps_text, inert

__all__ = ["counter_lines", "summary_lines"]

_WIDTH = 80
_TITLES = {
    "line": (Plane.LINE,),
    "sync": (Plane.SYNC,),
    "L1": (Plane.L1,),
    "slow C&M": (Plane.HDLC,),
    "fast C&M": (Plane.ETHERNET,),
    "octets": (Plane.VENDOR, Plane.CTRL_AXC, Plane.RESERVED),
}
_NOT_AT_8B10B = ("block_", "fec_", "sync_word_")
_NOT_AT_64B66B = ("code_violations", "disparity_errors", "filler_mismatches", "scrambling_")
"""How the names of counters begin that stay 0 at a line code."""


def counter_lines(counters: Mapping[str, int], line_code: str | None = None) -> list[str]:
    """Counters by plane; those at 0 stand at the end, but not those that `line_code` does not have."""
    other = {None: (), "8b10b": _NOT_AT_8B10B, "64b66b": _NOT_AT_64B66B}[line_code]
    lines = []
    for title, planes in _TITLES.items():
        names = [name for plane in planes for name in COUNTERS_OF_PLANE[plane]]
        shown = [f"{name}\xa0{counters[name]}" for name in names if counters[name]]
        zero = [name for name in names if not counters[name] and not name.startswith(other)]
        text = ", ".join(shown) if shown else "no changes" if title == "octets" else "no errors"
        if zero:
            text += f" ({'all ' if not shown else ''}0: {', '.join(zero)})"
        lines += _titled(title, text)
    return lines


def summary_lines(decoder: LinkDecoder, description: str) -> list[str]:
    """What a stream held, in words."""
    option = decoder.option
    name = {"8b10b": "8B/10B", "64b66b": "64B/66B"}[option.line_code]
    link = f"option {option.name}, {option.line_rate_bps / 1e6:g} Mbit/s, {name}"
    link += f", data format {decoder.settings.form.value}"
    if decoder.fec is not None:
        link += ", RS-FEC"
    elif option.line_code == SIXTY_FOUR_SIXTY_SIX:
        shows = fec_shows(option, decoder.settings.form)
        link += ", no RS-FEC" if shows else " (RS-FEC does not show in it)"
    if decoder.scrambling_seed is not None:
        link += f", scrambled with seed {decoder.scrambling_seed}"
    lines = [inert(description), *_titled("link", link)]
    if decoder.acquired_at_hyperframe is None:
        lines += _titled("sync", "not found")
    else:
        lines += _decoded(decoder)
    lines += counter_lines(decoder.counters, option.line_code)
    if decoder.trailing_octets:
        end = f"{counted(decoder.trailing_octets, 'octet')} at the end, less than a hyperframe"
        lines += _titled("not used", end)
    return lines


def _sync_word(decoder: LinkDecoder) -> Iterator[str]:
    """What of 64B/66B is a reading of the standard, and whether it was measured in the data."""
    word = decoder.sync_word
    if word is None:
        return
    text = f"layout {word.word.layout}, origin {word.word.origin}, {word.known_by.value}"
    if decoder.fec is not None:
        text += f"; header rule of RS-FEC: xor {'on' if decoder.fec.header_xor else 'off'}, measured"
    yield from _titled("sync word", text)


def _decoded(decoder: LinkDecoder) -> Iterator[str]:
    planes = decoder.planes
    offset = decoder.alignment_slip_bits
    sync = f"{decoder.state.value}, {counted(decoder.losses, 'loss of sync', 'losses of sync')}"
    if offset is not None:
        sync += f", alignment offset {counted(offset, 'bit')}"
    if decoder.fec is not None:
        sync += f", codeword phase {counted(decoder.fec.codeword_phase_bits, 'bit')}"
    yield from _titled("sync", sync)
    yield from _sync_word(decoder)
    first = planes.last.first or (0, 0)
    yield from _titled(
        "decoded",
        f"{counted(decoder.hyperframes, 'hyperframe')}"
        f" ({decoder.hyperframes / HYPERFRAMES_PER_SECOND * 1e3:.2f} ms of line time),"
        f" BFN\xa0{first[0]} HFN\xa0{first[1]} to BFN\xa0{planes.last.bfn} HFN\xa0{planes.last.hfn}",
    )
    lost = f"{counted(decoder.hyperframes_missed - decoder.hyperframes_not_received, 'hyperframe')}"
    if decoder.hyperframes_not_received:
        lost += f", {decoder.hyperframes_not_received} not received"
    if decoder.breaks_of_unknown_length:
        lost += f", {gaps_text(decoder.breaks_of_unknown_length)}"
    yield from _titled("lost", f"{lost}; {decoder.acquired_at_hyperframe} skipped before sync")
    state = planes.startup_state
    yield from _titled(
        "L1",
        f"version {_known(planes.version.accepted)}, HDLC rate code {_known(planes.rate.accepted)},"
        f" pointer p {_known(planes.pointer.accepted)}; start-up state {state.value} ({StartupState(state).meaning})",
    )


def _known(value: int | None) -> str:
    return "-" if value is None else str(value)


def _titled(title: str, text: str) -> list[str]:
    """Lines of at most 80 columns; a no-break space keeps a counter and its number together."""
    lines = textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=f"  {title:9} ",
        subsequent_indent=" " * 14,
        break_on_hyphens=False,
        break_long_words=False,
    )
    return [line.replace("\xa0", " ") for line in lines]
