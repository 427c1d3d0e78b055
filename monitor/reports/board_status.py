"""The status of a board, as a record and as lines of text."""

from __future__ import annotations

from collections.abc import Iterator

from ..boards.command_words import DATA_WORDS
from ..protocol.records import LineCodeFlag, LineCodeStatus, Status, StatusFlag

__all__ = ["status_lines", "status_record"]


def status_record(status: Status, line_code: LineCodeStatus | None = None) -> dict[str, object]:
    """The status as the JSON object of this command; what LINE_CODE says is there where the board sends it."""
    return {
        "schema": "framefray.tell/1",
        "name": status.name,
        "option": status.option,
        "data": _data_word(status.data_type),
        "sync_state": status.sync_state.value,
        "loopback": status.loopback.name.lower(),
        "los": bool(status.flags & StatusFlag.LOS),
        "lof": bool(status.flags & StatusFlag.LOF),
        "transmitter_on": bool(status.flags & StatusFlag.TRANSMITTER_ON),
        "receiver_ready": bool(status.flags & StatusFlag.RECEIVER_READY),
        "fec": bool(status.flags & StatusFlag.FEC),
        "block_lock": bool(status.flags & StatusFlag.BLOCK_LOCK),
        "scrambled": bool(status.flags & StatusFlag.SCRAMBLED),
        "alignment_bits": status.alignment_bits,
        "delay_clocks": status.delay_clocks,
        "clock_period_ps": status.clock_period_ps,
        "hyperframes": status.hyperframes,
        "code_violations": status.code_violations,
        "disparity_errors": status.disparity_errors,
        "los_events": status.los_events,
        "lof_events": status.lof_events,
        "resets": status.resets,
        "data_lost": status.data_lost,
        "bad_records": status.bad_records,
        **(_line_code(line_code) if line_code is not None else {}),
    }


def _line_code(code: LineCodeStatus) -> dict[str, object]:
    """FEC, block lock and scrambling; None for what is not known."""
    phase_known, seed_known = (
        code.flags & flag for flag in (LineCodeFlag.PHASE_KNOWN, LineCodeFlag.SEED_KNOWN)
    )
    return {
        "protocol_version": code.protocol_version or None,
        "fec_lock": bool(code.flags & LineCodeFlag.FEC_LOCK),
        "codeword_phase_bits": code.codeword_phase_bits if phase_known else None,
        "seed": code.seed if seed_known else None,
        "block_header_errors": code.block_header_errors,
        "block_lock_losses": code.block_lock_losses,
        "fec_corrected_codewords": code.fec_corrected_codewords,
        "fec_corrected_symbols": code.fec_corrected_symbols,
        "fec_uncorrected_codewords": code.fec_uncorrected_codewords,
        "fec_lock_losses": code.fec_lock_losses,
        "scrambling_seed_changes": code.scrambling_seed_changes,
    }


def _data_word(data_type: int) -> str:
    """The word for a type of line data; for one that no version knows its number."""
    return next((name for name, code in DATA_WORDS.items() if code == data_type), f"type {data_type}")


def status_lines(status: Status, line_code: LineCodeStatus | None = None) -> Iterator[str]:
    """A line for each value; `-` for what the board does not know."""
    width = 18 if line_code is None else 26
    for key, value in list(status_record(status, line_code).items())[1:]:
        yield f"{key:{width}}{'-' if value is None else value}"
