"""Bit errors of a link in a test."""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import InputError

__all__ = ["BitErrorMeasurement", "measure_bit_errors"]


@dataclass(frozen=True, slots=True)
class BitErrorMeasurement:
    """A link over a noisy cable.

    `put_in` bits were turned over, by the cable's own count; `counted` line bits arrived otherwise than they were
    sent; `code_events` is what the line code showed of them. `expected_range` is where `counted` lies with the
    probability `confidence`, `upper_bound` the ratio it allows to claim.
    """

    bits: int
    ratio: float
    put_in: int
    counted: int
    code_events: int
    confidence: float
    expected_range: tuple[int, int]
    upper_bound: float

    @property
    def plausible(self) -> bool:
        """Whether the count is one that the ratio explains."""
        low, high = self.expected_range
        return low <= self.counted <= high


def measure_bit_errors(
    ratio: float, hyperframes: int = 400, *, option: str = "2", seed: int = 1, confidence: float = 0.999
) -> BitErrorMeasurement:
    """Send `hyperframes` over a cable that turns bits over at `ratio`, and hold what arrives to what was sent.

    InputError for a ratio that would lose the signal: more than 16 characters in error a hyperframe.
    """
    import numpy as np

    from decoders.error_performance.bit_error_ratio import count_range, upper_bound
    from decoders.line_coding.characters import LineForm
    from decoders.linerates import option_named
    from decoders.link.decoder import LinkDecoder
    from decoders.link.settings import LinkSettings, SenderSettings

    from ..emulation.cable import Cable
    from ..emulation.emulated_link import DEFAULT_RATE_CODES
    from ..emulation.line_writer import LineWriter
    from ..emulation.sender import EmulatedSender

    line = option_named(option)
    most = 4 / line.hyperframe_line_bits
    if not 0.0 < ratio <= most:
        raise InputError(f"bit error ratio {ratio:g}: above 0 and up to {most:.2g} at option {option}")
    code = DEFAULT_RATE_CODES.get(option, 6)
    sender = EmulatedSender(SenderSettings(option=option, hdlc_rate_code=code), seed)
    writer, cable = LineWriter(LineForm.BITS, line), Cable(0, ratio, seed)
    decoder = LinkDecoder(LinkSettings(option, LineForm.BITS))
    counted = 0
    for start in range(0, hyperframes, 50):
        sent = writer.write(sender.batch(min(50, hyperframes - start)))
        arrived = cable.carry(sent)
        differ = np.frombuffer(sent, np.uint8) ^ np.frombuffer(arrived, np.uint8)
        counted += int(np.bitwise_count(differ).sum())
        decoder.receive(arrived)
    decoder.finish()
    counters = decoder.counters
    return BitErrorMeasurement(
        cable.bits,
        ratio,
        cable.errors,
        counted,
        counters["code_violations"] + counters["disparity_errors"],
        confidence,
        count_range(cable.bits, ratio, confidence),
        upper_bound(cable.bits, counted, 0.95),
    )
