"""Scalar reference receiver of one link direction: the yardstick of crafted captures and differential tests.

Follows CPRI V7.0 clause 4.2.7 (hyperframe and control words) and clauses 4.2.9 and 4.2.10 (hyperframe sync,
LOS, LOF) for all options, over a whole stream at once and one hyperframe after the other. It shares nothing with
the batch decoders but the names of counters and the table of line rates. It has no notion of time, and it never reads
files or guesses the option.
"""

from __future__ import annotations

from collections.abc import Iterable

from decoders.linerates import LineRateOption, option_named

from .aligned_line import AlignedLine, BitLine, BlockLine
from .block_code import BAD_HEADER, BAD_TYPE, LOCK_LOST, count_flagged_blocks
from .hyperframe import HyperframeReader
from .line_code import DISPARITY, K_FLAG, VIOLATION, Character, Characters
from .results import ReferenceLosRule, ReferenceResult, ReferenceSettings
from .sync_word import SyncBlocks, SyncByte, SyncWord

__all__ = ["ReferenceResult", "ReferenceSettings", "receive_blocks", "receive_characters"]

_STATES = ("XACQ1", "XACQ2", "XSYNC1", "XSYNC2", "HFNSYNC")
_XSYNC1, _HFNSYNC = 2, 4
_ERROR_FLAGS = bytes(flags & (VIOLATION | DISPARITY | BAD_HEADER) != 0 for flags in range(256))
_NOT_K = bytes(flags & K_FLAG for flags in range(256))
_COUNTERS = (
    ("code_violations", VIOLATION),
    ("disparity_errors", DISPARITY),
    ("block_header_errors", BAD_HEADER),
    ("block_type_unexpected", BAD_TYPE),
    ("block_lock_losses", LOCK_LOST),
)


def receive_characters(
    chars: Characters | Iterable[Character], settings: ReferenceSettings, flags_known: bool = True
) -> ReferenceResult:
    """Receive a whole stream of `Characters`, or of (octet, K, violation, disparity) tuples.

    Without `flags_known` the flags are not looked at: a sync word is its octets with a running HFN, and there are no
    errors of the line code.
    """
    if not isinstance(chars, Characters):
        chars = Characters.from_tuples(chars)
    if not flags_known:
        chars = Characters.from_octets(chars.octets)
    return _Receiver(chars, settings, flags_known, None).run()


def receive_blocks(data: bytes, form: str, settings: ReferenceSettings) -> ReferenceResult:
    """Receive a whole stream of 64B/66B in the form `octets`, `flagged`, `blocks` or `bits`.

    ValueError for an option with another line code, and for another form.
    """
    if option_named(settings.option).line_code != "64b66b":
        raise ValueError(f"option {settings.option} has no 64B/66B blocks")
    if form == "octets":
        return receive_characters(Characters.from_octets(data), settings, flags_known=False)
    if form == "flagged":
        words = (data[i] | data[i + 1] << 8 for i in range(0, len(data) - 1, 2))
        return receive_characters(count_flagged_blocks(words), settings)
    if form not in ("blocks", "bits"):
        raise ValueError(f"64B/66B has no form {form}")
    line = BlockLine(data, settings) if form == "blocks" else BitLine(data, settings)
    result = _Receiver(Characters(b"", b""), settings, True, line).run()
    if isinstance(line, BitLine):
        result.fec, result.fec_header_xor = line.fec, line.header_xor
        result.counters["realignments"] = line.realignments
        if line.first_bit is not None:
            result.alignment_offset_bits = line.first_bit % 66
            if line.fec:
                result.fec_codeword_phase_bits = line.first_bit % 5280
    return result


class _Receiver:
    """Hyperframe sync, LOS and LOF over a stream of characters; with a `line` they come from its alignments."""

    def __init__(
        self, chars: Characters, settings: ReferenceSettings, flags_known: bool, line: AlignedLine | None
    ) -> None:
        option = option_named(settings.option)
        self._option: LineRateOption = option
        self._settings = settings
        self._flags_known = flags_known
        self._line = line
        self._result = ReferenceResult()
        self._counters = self._result.counters
        self._hyperframe_octets = option.hyperframe_octets
        kind = SyncByte if option.line_code == "8b10b" else SyncBlocks
        self._sync: SyncWord = kind(option, chars, flags_known)
        self._set(chars)
        self._fec_lost: list[int] = []
        self._origin = 0  # of the first hyperframe
        self._in_sync_word: set[int] = set()  # first octets of blocks that belong to a sync word
        self._reader = HyperframeReader(option, settings, self._result)

    def _set(self, chars: Characters) -> None:
        self._chars = self._sync.chars = chars
        self._errors = chars.flags.translate(_ERROR_FLAGS)
        self._n = len(chars.octets)

    def _align(self, at: int) -> int | None:
        """Look for the alignment anew from octet `at` on: where characters go on, None where nothing follows."""
        if self._line is None:
            return at
        found = self._line.read(at)
        kept = self._chars
        codewords = [c for c in kept.codewords if c[0] < at]
        first, more = found or (self._line.octets, Characters(b"", b""))
        blank = bytes(first - at)
        self._set(
            Characters(
                kept.octets[:at] + blank + more.octets,
                kept.flags[:at] + blank + more.flags,
                [*codewords, *((first + octet, symbols) for octet, symbols in more.codewords)],
            )
        )
        self._fec_lost = [octet for octet in self._fec_lost if octet < at]
        if found is None:
            return None
        if isinstance(self._line, BitLine):
            self._fec_lost += self._line.fec_locks_lost
        return first

    # ---- finding and keeping hyperframe sync (clause 4.2.9) ----

    def run(self) -> ReferenceResult:
        result, h = self._result, self._hyperframe_octets
        decoded_end = 0
        los = False
        start = self._align(0)
        window = search_from = start or 0
        while start is not None:
            found, los, search_from = self._acquire(window, search_from, los)
            if found is None:
                heard = not los and any(
                    c + h >= self._n for c in self._sync.candidates(max(search_from, self._n - h))
                )
                result.sync_state = _STATES[1 if heard else 0]
                break
            position, state, ended, lost_signal = self._in_sync(*found)
            decoded_end = max(decoded_end, ended)
            if state >= _XSYNC1 and not lost_signal:
                result.sync_state = _STATES[state]
                break
            self._counters["lof_events"] += 1
            self._reader.forget()
            los = lost_signal
            start = self._align(position)
            window = position if start is None else start
            search_from = window + (self._line is None and not lost_signal)
        result.trailing_octets = self._n - decoded_end
        self._count()
        return result

    def _in_sync(self, position: int, state: int) -> tuple[int, int, int, bool]:
        """(where reading stopped, state, end of the last hyperframe, whether LOS stopped it) from `position` on."""
        h, result, sync = self._hyperframe_octets, self._result, self._sync
        proven = range(position, self._n, h)[:4]
        later = sync.lock(proven)
        proven_until = position + 3 * h + later
        position += later
        if result.acquired_at_hyperframe is None:
            result.acquired_at_hyperframe = position // h
            self._origin = position
        gone = round((position - self._origin) / h)
        result.acquired.append((result.hyperframes, gone - result.hyperframes))
        if isinstance(sync, SyncBlocks):
            result.sync_word = sync.described
        frames = [self._chars.octets[p : p + h] for p in range(position, position + 3 * h, h)]
        self._reader.start([frame for frame in frames if len(frame) == h])
        end = 0
        while position + h <= self._n:
            good = position <= proven_until or sync.in_place(position)
            if position > proven_until:
                state = min(state + 1, _HFNSYNC) if good else state - 1
                self._counters["missed_sync_bytes"] += not good
                if state < _XSYNC1:
                    return position, state, end, False
            self._hyperframe(position)
            position = end = position + h
            if self._signal_lost(position - h):
                self._counters["los_events"] += 1
                return position, state, end, True
        return position, state, end, False

    def _acquire(self, window: int, search_from: int, los: bool) -> tuple[tuple[int, int] | None, bool, int]:
        """The next start of sync as (position, state), if any; whether LOS stands; where the search began.

        Out of sync the stream is watched in windows of one hyperframe: too many errors in one raise LOS, and the
        first clean one clears it; only after that a sync word counts. A line with an alignment looks for it anew
        after each window with LOS.
        """
        h = self._hyperframe_octets
        while True:
            while los:
                if window + h > self._n:
                    return None, True, search_from
                los = self._code_errors(window) > 0
                window += h
                if los:
                    aligned = self._align(window)
                    if aligned is None:
                        return None, True, window
                    window = aligned
                search_from = window
            found = self._find(search_from)
            limit = self._n if found is None else found[0]
            while window + h <= limit and not los:
                los = self._signal_lost(window)
                window += h
            if not los:
                return found, False, search_from
            self._counters["los_events"] += 1
            aligned = self._align(window)
            if aligned is None:
                return None, True, window
            window = search_from = aligned

    def _find(self, search_from: int) -> tuple[int, int] | None:
        """First sync word with three more a hyperframe apart, else the first with all the stream can have.

        Such a short run needs a second HFN where it has neither K flags nor fillers, and no LOS in its first
        hyperframe.
        """
        last = None
        h = self._hyperframe_octets
        bare = not self._flags_known and self._option.word_octets == 1
        seen = 64 * self._option.basic_frame_octets if bare else 0
        for q in self._sync.candidates(search_from):
            count = self._run_of_sync(q)
            if count == 4:
                return q, _HFNSYNC
            whole = count >= 2 and q + count * h >= self._n > q + h + seen
            if last is None and whole and not self._signal_lost(q):
                last = q, _XSYNC1 + count - 2
        return last

    def _run_of_sync(self, q: int) -> int:
        """How many of the four sync positions from q on are good, up to the first bad or missing one."""
        places: list[int] = []
        for i in range(4):
            at = q + i * self._hyperframe_octets
            if at >= self._n or not self._sync.could_be(at):
                return i
            places.append(at)
            if not self._sync.alike(places):
                return i
            if not self._flags_known and not self._sync.runs(places[:3]):
                return i
        return 4

    def _code_errors(self, at: int) -> int:
        return self._errors.count(1, at, at + self._hyperframe_octets)

    def _signal_lost(self, at: int) -> bool:
        """Whether the hyperframe at `at` raises LOS by the rule that is set."""
        rule, flags = self._settings.los66_rule, self._chars.flags
        lost = False
        if self._option.line_code == "64b66b" and rule is not ReferenceLosRule.HEADER_COUNT:
            lost = any(flag & LOCK_LOST for flag in flags[at : at + self._hyperframe_octets])
            if rule is ReferenceLosRule.BLOCK_LOCK:
                return lost
        return lost or self._code_errors(at) >= self._settings.los_threshold

    # ---- one hyperframe (clause 4.2.7) ----

    def _hyperframe(self, position: int) -> None:
        h, counters, sync = self._hyperframe_octets, self._counters, self._sync
        flags = self._chars.flags[position : position + h]
        specials = flags.translate(_NOT_K)
        places = sync.specials_expected(position)
        counters["unexpected_k"] += specials.count(1) - sum(
            specials.count(1, place.start, place.stop) for place in places
        )
        self._in_sync_word |= {position + place for octets in places for place in octets}
        frame = self._reader.plain(self._chars.octets[position : position + h])
        if isinstance(sync, SyncBlocks):
            counters["sync_word_filler_mismatches"] += not sync.fillers_right(position, frame)
        else:
            counters["filler_mismatches"] += not sync.fillers_right(position, frame)
        self._reader.read(frame)

    def _count(self) -> None:
        """What the line code, and RS-FEC, have to say of the whole stream."""
        counters, flags = self._counters, self._chars.flags
        for value in range(256):
            times = flags.count(value) if value else 0
            for name, flag in _COUNTERS:
                counters[name] += times * (value & flag != 0)
        counters["block_type_unexpected"] -= sum(flags[at] & BAD_TYPE != 0 for at in self._in_sync_word)
        for _, symbols in self._chars.codewords:
            counters["fec_uncorrected_codewords"] += symbols < 0
            counters["fec_corrected_codewords"] += symbols > 0
            counters["fec_corrected_symbols"] += max(0, symbols)
        counters["fec_lock_losses"] += len(self._fec_lost)
