"""Hyperframes that a source leaves out and says so: nothing on the link is blamed for them."""

from __future__ import annotations

import random
from collections.abc import Iterator
from functools import cache

import numpy as np
import pytest

from decoders.counters import ERROR_COUNTERS
from decoders.errors import SettingsError
from decoders.events import Event, FrameReceived, HyperframesNotReceived, OctetsChanged
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.emulation.line_writer import LineWriter
from monitor.emulation.sender import EmulatedSender

COUNT = 240
OPTIONS = {"1": 1, "2": 3, "4": 5}


@cache
def stream(option: str, form: LineForm) -> tuple[bytes, int]:
    """A clean stream across a 10 ms frame, and the octets of one hyperframe in it."""
    settings = SenderSettings(option=option, hdlc_rate_code=OPTIONS[option], hfn=140, bfn=4094)
    sender = EmulatedSender(settings, 3)
    data = LineWriter(form, sender.option).write(b for _ in range(COUNT // 10) for b in sender.batch(10))
    return data, len(data) // COUNT


def parts(seed: int, least: int) -> Iterator[tuple[int, int]]:
    """Runs (first, end) of hyperframes that come; what lies between is missing."""
    rng = random.Random(seed)
    at = 0
    while at < COUNT - least:
        end = min(COUNT, at + rng.randrange(least, 60))
        yield at, end
        at = end + rng.randrange(1, 40)


def decode(
    pieces: list[tuple[int, bytes]], option: str, form: LineForm, cut: int = 0
) -> tuple[LinkDecoder, list[Event]]:
    """Decode pieces, each after so many missing hyperframes, in chunks of up to `cut` octets."""
    decoder = LinkDecoder(LinkSettings(option, form))
    rng, events = random.Random(5), []
    for missing, data in pieces:
        if missing:
            decoder.skip(missing)
        at = 0
        while at < len(data):
            size = rng.randrange(1, cut) if cut else len(data)
            events += decoder.receive(data[at : at + size])
            at += size
    return decoder, events + decoder.finish()


@pytest.mark.parametrize("form", [LineForm.OCTETS, LineForm.FLAGGED])
@pytest.mark.parametrize("option", OPTIONS)
@pytest.mark.parametrize("seed", range(2))
def test_no_counter_moves_for_what_is_missing(option: str, form: LineForm, seed: int) -> None:
    data, size = stream(option, form)
    runs = list(parts(seed, 5))
    starts = [0, *(end for _, end in runs)]
    pieces = [(a - before, data[a * size : b * size]) for (a, b), before in zip(runs, starts, strict=False)]
    decoder, events = decode(pieces, option, form, 9 * size)
    missing = sum(count for count, _ in pieces)
    assert {name: decoder.counters[name] for name in ERROR_COUNTERS if decoder.counters[name]} == {}
    assert decoder.hyperframes_not_received == missing > 0
    assert decoder.hyperframes == sum(b - a for a, b in runs)
    told = [e for e in events if isinstance(e, HyperframesNotReceived)]
    assert [(e.hyperframe, e.count) for e in told] == [
        (sum(b - a for a, b in runs[:i]), pieces[i][0]) for i in range(1, len(runs))
    ]
    # Each run alone, by a receiver of its own: the frames that lie wholly inside it.
    whole = [
        (e.plane, e.bfn, e.hfn, e.data)
        for _, piece in pieces
        for e in decode([(0, piece)], option, form)[1]
        if isinstance(e, FrameReceived)
    ]
    assert [(e.plane, e.bfn, e.hfn, e.data) for e in events if isinstance(e, FrameReceived)] == whole
    assert decoder.counters["hdlc_frames"] + decoder.counters["ethernet_frames"] == len(whole) > 0


@pytest.mark.parametrize("run", [22, 3, 1])
@pytest.mark.parametrize("form", [LineForm.OCTETS, LineForm.FLAGGED])
def test_events_do_not_hang_on_the_cut(form: LineForm, run: int) -> None:
    data, size = stream("1", form)
    pieces = [((25 - run) * (i > 0), data[i * 25 * size : (i * 25 + run) * size]) for i in range(9)]
    whole = decode(pieces, "1", form)
    at = [event.hyperframe or 0 for event in whole[1]]
    assert at == sorted(at) and len(at) > 9
    for cut in (900, 3 * size):
        again = decode(pieces, "1", form, cut)
        assert again[1] == whole[1] and again[0].counters == whole[0].counters


@pytest.mark.parametrize("form", [LineForm.OCTETS, LineForm.FLAGGED])
def test_single_hyperframes_out_of_many_come_into_sync(form: LineForm) -> None:
    """A slow line carries one hyperframe in 30, so no two that follow each other ever come."""
    data, size = stream("2", form)
    pieces = [(29, data[at * size : (at + 1) * size]) for at in range(0, COUNT, 30)]
    decoder, events = decode(pieces, "2", form)
    assert decoder.hyperframes == len(pieces) and decoder.losses == 0
    assert {name: decoder.counters[name] for name in ERROR_COUNTERS if decoder.counters[name]} == {}
    # The vendor counter in Z.16.0 steps once a 10 ms frame: it is seen to have changed, once a step.
    steps = [
        c
        for e in events
        if isinstance(e, OctetsChanged)
        for c in e.changes()
        if (c.ns, c.xs, c.y) == (16, 0, 1)
    ]
    assert len(steps) == 2  # HFN 140 at the start: after 10 and after 160 hyperframes


def test_a_piece_cut_short_is_left_out() -> None:
    data, size = stream("2", LineForm.FLAGGED)
    decoder, _ = decode([(0, data[: 10 * size + 700]), (3, data[13 * size :])], "2", LineForm.FLAGGED)
    assert decoder.hyperframes == 10 + COUNT - 13
    assert {name: decoder.counters[name] for name in ERROR_COUNTERS if decoder.counters[name]} == {}


def test_a_wrong_count_is_a_discontinuity() -> None:
    data, size = stream("2", LineForm.FLAGGED)
    decoder, _ = decode([(0, data[: 50 * size]), (4, data[53 * size :])], "2", LineForm.FLAGGED)
    assert decoder.counters["hfn_discontinuities"] == 1


def test_sync_is_lost_and_found_across_gaps() -> None:
    data, size = stream("2", LineForm.FLAGGED)
    words = np.frombuffer(data, "<u2").reshape(COUNT, -1).copy()
    words[60, 100:140] |= 0x200
    damaged = words.astype("<u2").tobytes()
    pieces = [(0, damaged[: 61 * size]), (5, damaged[66 * size : 70 * size]), (5, damaged[75 * size :])]
    decoder, _ = decode(pieces, "2", LineForm.FLAGGED, 5 * size)
    assert (decoder.counters["los_events"], decoder.counters["lof_events"]) == (1, 1)
    assert decoder.counters["code_violations"] == 40 and decoder.counters["hfn_discontinuities"] == 0
    assert decoder.hyperframes_not_received == 10
    assert decoder.hyperframes + decoder.hyperframes_missed == COUNT


def test_what_cannot_be_skipped() -> None:
    with pytest.raises(SettingsError, match="stream of bits"):
        LinkDecoder(LinkSettings("2", LineForm.BITS)).skip(1)
    with pytest.raises(SettingsError, match="0 hyperframes"):
        LinkDecoder(LinkSettings("2", LineForm.OCTETS)).skip(0)
