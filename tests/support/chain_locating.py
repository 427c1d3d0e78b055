"""Faults on the segments of an emulated chain, and what is located of them: for the tests and the bench of locate."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from decoders.arrays import U8
from decoders.events import Plane
from decoders.frame_structure.frame_numbers import NUMBER_MODULUS, line_numbers
from decoders.line_coding.characters import LineForm
from decoders.line_coding.code_8b10b import SymbolEncoder
from decoders.linerates import LineRateOption
from decoders.link.decoder import LinkDecoder
from decoders.link.encoder import LinkEncoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.emulation.chain import EmulatedChain
from monitor.errors import InputError
from monitor.faults.catalogue import kinds_for
from monitor.links.damage import ChainDamage, Localised, Point
from monitor.site.localisation import Localisation
from monitor.site.routes import parse_points
from monitor.site.shared_time import short_way
from monitor.sources.names import Segment

LONGEST = 12
"""Hyperframes that a random fault lasts at the most."""
SETTLED = 60
"""Hyperframes before the first fault."""


def chain_streams(chain: EmulatedChain, hyperframes: int) -> dict[Segment, U8]:
    """What each receiver of the chain gets, as octets of form `symbols`."""
    parts: dict[Segment, list[U8]] = {segment: [] for segment in chain.points}
    for start in range(0, hyperframes, 64):
        for segment, symbols in chain.step(min(64, hyperframes - start)).items():
            parts[segment].append(symbols.astype("<u2").view(np.uint8))
    return {segment: np.concatenate(pieces) for segment, pieces in parts.items()}


def located(
    streams: Mapping[Point, U8], option: str, form: LineForm = LineForm.SYMBOLS, piece: int = 1 << 19
) -> Localised:
    """What is found in whole streams of the points, each read in pieces as locate reads captures."""
    localisation = Localisation(list(streams))
    data = list(streams.values())
    decoders = []
    for tap in localisation.taps:
        decoder = LinkDecoder(LinkSettings(option=option, form=form), tap.on_block)
        localisation.attach(len(decoders), decoder, tap.point.name)
        decoders.append(decoder)
    places = [0] * len(data)
    while (index := localisation.behind()) is not None:
        octets = data[index][places[index] : places[index] + piece]
        places[index] += piece
        tap, decoder = localisation.taps[index], decoders[index]
        tap.receive(decoder.receive(octets) if len(octets) else decoder.finish())
        if not len(octets):
            tap.end()
    return localisation.result()


def random_fault(
    rng: random.Random, option: LineRateOption, at: int, only: str = ""
) -> tuple[str, Mapping[str, int]]:
    """A fault of any plane with any values at hyperframe `at`, not too long: its text and its values."""
    kinds = [
        kind for kind in kinds_for(option).values() if kind.plane != "delay" and kind.name.startswith(only)
    ]
    kind = rng.choice(kinds)
    values = {}
    for parameter in kind.parameters:
        low, high = parameter.low, parameter.high
        if parameter.unit.startswith("hyperframe") and parameter.name != "by":
            low, high = 1, min(high, LONGEST)
        elif parameter.name in ("y", "w") or parameter.name == "octets":
            high = min(high, {"y": option.word_octets - 1, "w": 15, "octets": 300}[parameter.name])
            low = min(low, high)
        values[parameter.name] = rng.randint(low, high)
    text = ",".join(f"{name}={value}" for name, value in values.items())
    return f"{kind.name}@{at}" + (f":{text}" if text else "")


def cut_streams(
    streams: Mapping[Segment, U8], rng: random.Random, hyperframe_octets: int, whole: bool = False
) -> dict[Segment, U8]:
    """The same as captures begun and ended at different places, one of them with a piece missing inside.

    `whole` leaves out whole hyperframes there, so that no sync is lost; else anything. Octets are those of `symbols`.
    """
    size = 2 * hyperframe_octets
    gapped = rng.choice(list(streams))
    cut = {}
    for segment, octets in streams.items():
        begin, end = (
            2 * rng.randrange(40 * hyperframe_octets),
            len(octets) - 2 * rng.randrange(40 * hyperframe_octets),
        )
        kept = octets[begin:end]
        if segment == gapped:
            at = 2 * rng.randrange(len(kept) // 4, len(kept) // 3)
            length = rng.randrange(1, 60) * size
            if not whole:
                length += 2 * rng.randrange(hyperframe_octets)
            kept = np.concatenate((kept[:at], kept[at + length :]))
        cut[segment] = kept
    return cut


@dataclass(frozen=True)
class PlacedFault:
    """A fault on a segment, with the link number of its hyperframe there."""

    text: str
    segment: Segment
    number: int
    moves: bool
    """Whether the receiver at the end of the segment should count anything."""
    first: bool
    """Whether no point stands before the segment."""


@dataclass
class Outcome:
    """How the faults of a chain were located."""

    right: list[PlacedFault] = field(default_factory=list)
    undistinguished: list[tuple[PlacedFault, str]] = field(default_factory=list)
    unseen: list[PlacedFault] = field(default_factory=list)
    unsure: list[ChainDamage] = field(default_factory=list)
    """Damages that belong to no fault, and say themselves why they may be none."""
    wrong: list[tuple[PlacedFault, ChainDamage]] = field(default_factory=list)
    """Damages that stand on another segment than any fault of their time, with the nearest fault."""


def inject_at_random(
    chain: EmulatedChain, rng: random.Random, places: Sequence[int], together: int = 1, only: str = ""
) -> list[PlacedFault]:
    """Random faults on random segments of the chain, `together` of them on different segments at each place."""
    placed: list[PlacedFault] = []
    firsts = {chain.points[0], chain.points[len(chain.points) // 2]}
    for at in places:
        for segment in rng.sample(chain.points, together):
            while True:
                text = random_fault(rng, chain.option, at, only)
                if text.startswith("sync.jump") and at != places[-1]:
                    continue
                extra = f"{'' if ':' not in text else ','}segment={segment.name}"
                try:
                    injection = chain.inject(f"{text}{':' if ':' not in text else ''}{extra}")
                except InputError:
                    continue  # no place at this option
                break
            bfn, hfn = chain.first_hyperframe(segment)
            number = bfn * 150 + hfn + injection.hyperframe
            placed.append(
                PlacedFault(
                    injection.text, segment, number, any(injection.expected.values()), segment in firsts
                )
            )
    return placed


def _followed(fault: PlacedFault, result: Localised, after: int) -> str | None:
    """The plane of what was taken for a consequence of another damage where this fault is."""
    for damage in result.damages:
        if abs(short_way(damage.first - fault.number)) <= after:
            for each in damage.consequences:
                if each.point.segment == fault.segment:
                    return each.plane.value
    return None


def judged(faults: Sequence[PlacedFault], result: Localised, before: int = 24, after: int = 90) -> Outcome:
    """Lay the located damages beside the faults of about their times."""
    outcome = Outcome()
    found: set[int] = set()

    def queued(damage: ChainDamage) -> int:
        return 150 if damage.plane in (Plane.HDLC, Plane.ETHERNET) else 0  # until a frame has its turn

    for damage in result.damages:
        near = [
            (abs(short_way(damage.first - fault.number)), i)
            for i, fault in enumerate(faults)
            if -before <= short_way(damage.first - fault.number) <= after + queued(damage)
            or fault.text.startswith("sync.jump")
        ]
        own = [i for _, i in sorted(near) if faults[i].segment in damage.segments]
        if not own and not damage.distinguished:
            outcome.unsure.append(damage)
            continue
        if not own:
            distance = [(abs(short_way(damage.first - fault.number)), i) for i, fault in enumerate(faults)]
            outcome.wrong.append((faults[min(distance)[1]], damage))
            continue
        found.update(own)
        if not damage.distinguished:
            outcome.undistinguished.append((faults[own[0]], damage.reason))
    told = {id(fault) for fault, _ in outcome.undistinguished}
    for i, fault in enumerate(faults):
        if i not in found:
            followed = _followed(fault, result, after)
            if followed is None:
                outcome.unseen.append(fault)
            else:
                outcome.undistinguished.append((fault, f"at the same time as another damage ({followed})"))
        elif id(fault) not in told:
            outcome.right.append(fault)
    return outcome


def sent_hyperframes(count: int, *, bfn: int = 0, seed: int = 1) -> U8:
    """Hyperframes (count, 256, 16, 1) of option 1 as one end sends them: every plane moves, C&M is idle."""
    rng = np.random.default_rng(seed)
    encoder = LinkEncoder(SenderSettings(option="1", pointer_p=40, hdlc_rate_code=1, bfn=bfn))
    octets = encoder.encode(
        count,
        rng.integers(0, 256, (count, encoder.vendor_octets)).astype(np.uint8),
        rng.integers(0, 256, (count, 256, 15, 1)).astype(np.uint8),
    )
    octets[:, [ns + 64 * xs for ns in range(4, 8) for xs in range(4)], 0, 0] = rng.integers(
        0, 256, (count, 16)
    )
    return octets


def line_symbols(octets: U8) -> NDArray[np.uint16]:
    """Hyperframes as the ten-bit symbols of the line."""
    places = np.arange(len(octets), dtype=np.int64) * octets[0].size
    return SymbolEncoder().encode(octets.reshape(-1), places)


def located_octets(points: Mapping[str, U8]) -> Localised:
    """What is found in hyperframes of option 1 by the names of their points, read as form `octets`."""
    named = {parse_points([f"{name}=x"])[0][0]: octets.reshape(-1) for name, octets in points.items()}
    return located(named, "1", LineForm.OCTETS)


def with_numbers(octets: U8, ahead: int) -> U8:
    """The same hyperframes with BFN and HFN so many hyperframes ahead."""
    changed = octets.copy()
    numbers = (line_numbers(octets) + ahead) % NUMBER_MODULUS
    changed[:, 64, 0, 0], bfn = numbers % 150, numbers // 150
    changed[:, 128, 0, 0] = bfn & 0xFF
    changed[:, 192, 0, 0] = bfn >> 8
    return changed
