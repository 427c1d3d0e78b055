"""Mutants of the line code and the word alignment."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from decoders.events import AlignmentChanged, Event, UnexpectedK
from decoders.line_coding.code_8b10b import CodedBlock
from decoders.link.alarms import LosDetector
from decoders.link.decoder import LinkDecoder
from decoders.link.parts import LinkParts
from decoders.link.settings import LinkSettings
from monitor.campaign.receivers import ProjectReceiver, Receiver

from .declaration import K28_5, ChangedReader, Mutant, block_of, parts, reading, telling

NONE = np.zeros(0, np.int64)
CODE = "IEEE 802.3 clause 36.2.4"
WORDS = ("line.flip*", "line.violation*", "line.disparity*", "known:special_code_groups")


def merged(*positions: Any) -> Any:
    return np.unique(np.concatenate(positions))


def no_disparity(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    return block_of(block, disparity_errors=NONE)


def no_violations(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    return block_of(block, violations=NONE)


def disparity_is_violation(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    return block_of(block, violations=merged(block.violations, block.disparity_errors), disparity_errors=NONE)


def violation_counts_twice(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    return block_of(block, disparity_errors=merged(block.violations, block.disparity_errors))


def frozen_disparity(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """After a word of neither column the next one is judged by the disparity before it."""
    after = block.violations + 1
    return block_of(block, disparity_errors=merged(block.disparity_errors, after[after < len(block.octets)]))


def alternates_unknown(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """D17.7, D18.7, D20.7, D11.7, D13.7 and D14.7 have another form of the last four bits (A7)."""
    bad = np.flatnonzero(np.isin(block.octets, (0xF1, 0xF2, 0xF4, 0xEB, 0xED, 0xEE)))
    return block_of(block, violations=merged(block.violations, np.setdiff1d(bad, block.k_positions)))


def two_groups_exchanged(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """D10.x and D21.x, whose six bits are each other's complement."""
    low = block.octets & 31
    octets = np.where(
        low == 10, block.octets ^ 10 ^ 21, np.where(low == 21, block.octets ^ 10 ^ 21, block.octets)
    )
    octets[block.k_positions] = block.octets[block.k_positions]
    return block_of(block, octets=octets.astype(np.uint8))


def y3_and_y4_exchanged(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    high = block.octets >> 5
    octets = np.where((high == 3) | (high == 4), block.octets ^ (0x60 ^ 0x80), block.octets)
    octets[block.k_positions] = block.octets[block.k_positions]
    return block_of(block, octets=octets.astype(np.uint8))


def only_k28(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """K23.7, K27.7, K29.7 and K30.7 are taken for data."""
    return block_of(block, k_positions=block.k_positions[block.octets[block.k_positions] & 31 == 28])


def k_is_violation(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """A special character that CPRI does not use is a code violation."""
    other = block.k_positions[block.octets[block.k_positions] != K28_5]
    k = np.setdiff1d(block.k_positions, other)
    return block_of(block, k_positions=k, violations=merged(block.violations, other))


def any_comma(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """K28.1 and K28.7 hold the comma, too, and are taken for K28.5."""
    octets = block.octets.copy()
    k = block.k_positions
    octets[k[np.isin(octets[k], (0x3C, 0xFC))]] = K28_5
    return block_of(block, octets=octets)


def any_k(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    octets = block.octets.copy()
    octets[block.k_positions] = K28_5
    return block_of(block, octets=octets)


def data_bc(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """D28.5 where the sync byte belongs will do."""
    bc = np.flatnonzero(block.octets == K28_5)
    bc = bc[reader.within(bc, first) == 0]
    return block_of(block, k_positions=merged(block.k_positions, bc))


def control_word_k_only(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """K characters are looked for in control words alone."""
    word = reader.hyperframe // 4096
    inside = reader.within(block.k_positions, first) % (16 * word) < word
    return block_of(block, k_positions=block.k_positions[inside])


def iq_k_only(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """A K character in a control word other than Z.0.0 passes."""
    word = reader.hyperframe // 4096
    at = reader.within(block.k_positions, first)
    return block_of(block, k_positions=block.k_positions[(at == 0) | (at % (16 * word) >= word)])


def one_k_a_hyperframe(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """Of several unexpected K in one hyperframe one is counted."""
    k = block.k_positions
    at = reader.within(k, first)
    which = (k + first - (reader.origin or 0)) // reader.hyperframe
    other = at != 0
    _, once = np.unique(which[other], return_index=True)
    return block_of(block, k_positions=merged(k[~other], k[other][once]))


def no_errors_in_iq(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """Code errors are counted in control words alone."""
    word = reader.hyperframe // 4096

    def inside(positions: Any) -> Any:
        return positions[reader.within(positions, first) % (16 * word) < word]

    return block_of(
        block, violations=inside(block.violations), disparity_errors=inside(block.disparity_errors)
    )


def fifteen_at_most(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """A counter of four bits a hyperframe, which stays at 15."""
    v = block.violations
    which = (v + first - (reader.origin or 0)) // reader.hyperframe
    keep = [i for i in range(len(v)) if (which[:i] == which[i]).sum() < 15]
    return block_of(block, violations=v[keep])


class KeepsAlignment(ChangedReader):
    def realign(self, characters_unused: int) -> None:
        """Once aligned, always aligned."""


class TellsAlignment(ChangedReader):
    """The alignment offset is told in another way than it is."""

    told = staticmethod(lambda bit: bit + 1)

    @property
    def start_bit(self) -> int | None:
        bit = self.inner.start_bit
        return None if bit is None else self.told(bit)

    @property
    def slip_bits(self) -> int | None:
        bit = self.start_bit
        return None if bit is None else bit % 10


class TellsBackwards(TellsAlignment):
    told = staticmethod(lambda bit: bit // 10 * 10 + (-bit) % 10)


class TellsModulo8(TellsAlignment):
    told = staticmethod(lambda bit: bit // 10 * 10 + bit % 10 % 8)


class TellsNone(TellsAlignment):
    told = staticmethod(lambda bit: bit // 10 * 10)


def unchanged(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    return block


def with_reader(kind: type[ChangedReader]) -> Any:
    return parts(reader=lambda form, octets: kind(form, octets, unchanged))


def los_by_violations_alone(given: LinkSettings) -> Receiver:
    """Disparity errors do not count towards LOS."""
    violations: dict[int, int] = {}
    errors_of: dict[int, int] = {}

    def note(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
        for positions, tables in (
            (block.violations, (violations, errors_of)),
            (block.disparity_errors, (errors_of,)),
        ):
            for number in ((positions + first - (reader.origin or 0)) // reader.hyperframe).tolist():
                for table in tables:
                    table[number] = table.get(number, 0) + 1
        return block

    class Los(LosDetector):
        def window(self, errors: int) -> bool | None:
            """The hyperframe is known by how many errors it has."""
            number = next((n for n, count in errors_of.items() if count == errors), None)
            if number is not None:
                del errors_of[number]
                errors = violations.get(number, 0)
            return super().window(errors)

    linked = LinkParts(reader=lambda form, octets: ChangedReader(form, octets, note), los=Los)
    return ProjectReceiver(given, lambda s, on_block: LinkDecoder(s, on_block, linked))


def restarts_at_any_k28_5(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """A K28.5 inside a hyperframe begins a new one: what is missing of the old one reads as zero."""
    k = block.k_positions
    sync = k[block.octets[k] == K28_5]
    wrong = sync[reader.within(sync, first) != 0]
    if not len(wrong):
        return block
    at = int(wrong[0])
    missing = reader.hyperframe - int(reader.within(at, first))
    reader.origin = (reader.origin or 0) - missing
    octets = np.concatenate((block.octets[:at], np.zeros(missing, np.uint8), block.octets[at:]))
    moved = [np.where(p >= at, p + missing, p) for p in (k, block.violations, block.disparity_errors)]
    return CodedBlock(octets, *moved)


def k_at_octet_0(event: Event) -> Event:
    return replace(event, y=0) if isinstance(event, UnexpectedK) else event


def bit_0(event: Event) -> Event:
    return replace(event, bit_offset=0) if isinstance(event, AlignmentChanged) else event


LINE_CODE = [
    Mutant("bit of the alignment not told", "line", "the alignment is told with its place in the stream", CODE,
           ("alignment offset *",), telling(bit_0)),
    Mutant("octet Y of a K character not told", "line", "a K character is told with its place", CODE,
           ("line.k, each octet Y of a word",), telling(k_at_octet_0)),
    Mutant("disparity is never checked", "line", "a word of the other column is an error", CODE, WORDS,
           reading(no_disparity)),
    Mutant("words of neither column pass", "line", "a word of neither column is a code violation", CODE, WORDS,
           reading(no_violations)),
    Mutant("a disparity error counts as a violation", "line", "violation and disparity error are two things", CODE,
           WORDS, reading(disparity_is_violation)),
    Mutant("a violation counts as a disparity error as well", "line", "an error counts under one heading", CODE,
           WORDS, reading(violation_counts_twice)),
    Mutant("disparity stands still at a violation", "line", "disparity follows the received word", CODE, WORDS,
           reading(frozen_disparity)),
    Mutant("alternate D.x.7 unknown", "line", "A7 after D11, D13, D14, D17, D18, D20", "IEEE 802.3 table 36-1",
           ("known:code_groups_8b10b", "baseline"), reading(alternates_unknown)),
    Mutant("D10.x and D21.x exchanged", "line", "code groups", "IEEE 802.3 table 36-1",
           ("known:code_groups_8b10b", "baseline"), reading(two_groups_exchanged)),
    Mutant("D.x.3 and D.x.4 exchanged", "line", "code groups", "IEEE 802.3 table 36-1",
           ("known:code_groups_8b10b", "baseline"), reading(y3_and_y4_exchanged)),
    Mutant("only K28.x are special", "line", "twelve special code groups", "IEEE 802.3 table 36-2",
           ("known:special_code_groups", "line.k*"), reading(only_k28)),
    Mutant("another K counts as a violation", "line", "a K character is no code violation", "CPRI 4.2.7.3; " + CODE,
           ("known:special_code_groups", "line.k*"), reading(k_is_violation)),
    Mutant("K28.1 and K28.7 taken for K28.5", "sync", "the sync byte is K28.5", "CPRI 4.2.9",
           ("known:special_code_groups", "line.k*", "sync.*"), reading(any_comma)),
    Mutant("any K taken for the sync byte", "sync", "the sync byte is K28.5", "CPRI 4.2.9",
           ("known:special_code_groups", "line.k*", "sync.*"), reading(any_k)),
    Mutant("data octet BC taken for the sync byte", "sync", "the sync byte has its K flag", "CPRI 4.2.9",
           ("sync.byte:code=12",), reading(data_bc)),
    Mutant("K in IQ words not seen", "line", "K28.5 at Z.0.0 is the only K character", "CPRI 4.2.7.3",
           ("line.k*", "known:special_code_groups"), reading(control_word_k_only)),
    Mutant("K in control words not seen", "line", "K28.5 at Z.0.0 is the only K character", "CPRI 4.2.7.3",
           ("line.k*",), reading(iq_k_only)),
    Mutant("one K a hyperframe counted", "line", "each unexpected K counts", "CPRI 4.2.7.3", ("line.k*",),
           reading(one_k_a_hyperframe)),
    Mutant("code errors in IQ words not counted", "line", "code errors of all words count", CODE,
           ("line.*", "known:special_code_groups"), reading(no_errors_in_iq)),
    Mutant("at most 15 violations a hyperframe", "line", "16 in one hyperframe are LOS", "CPRI 4.2.10.2",
           ("line.violation:count=16",), reading(fifteen_at_most)),
    Mutant("disparity errors do not make LOS", "line", "code errors of both kinds count towards LOS",
           "CPRI 4.2.10.2 (from memory)", ("line.disparity:count=16",), los_by_violations_alone),
    Mutant("K28.5 inside a hyperframe restarts it", "sync", "in sync the frame position does not move",
           "CPRI 4.2.9", ("line.k*",), reading(restarts_at_any_k28_5)),
    Mutant("never aligns again", "line", "alignment is found again after LOS", "IEEE 802.3 clause 36.2.4.9",
           ("line.slip*", "delay.step*"), with_reader(KeepsAlignment)),
    Mutant("alignment offset told one too high", "delay", "alignment offset of the first bit a", "CPRI 4.2.9 (delay)",
           ("delay.step*", "line.slip*", "baseline"), with_reader(TellsAlignment)),
    Mutant("alignment offset told backwards", "delay", "alignment offset of the first bit a", "CPRI 4.2.9 (delay)",
           ("delay.step*", "line.slip*", "baseline"), with_reader(TellsBackwards)),
    Mutant("alignment offset of three bits", "delay", "alignment offset is 0 to 9", "CPRI 4.2.9 (delay)",
           ("delay.step*", "delay.drift*", "line.slip*"), with_reader(TellsModulo8)),
    Mutant("alignment offset not told", "delay", "alignment offset changes with a reset", "CPRI 4.2.9 (delay)",
           ("delay.step*", "line.slip*"), with_reader(TellsNone)),
]  # fmt: skip
