"""Emulated boards as a source: one with its own loopback, or two joined by a pair of cables.

`emulated` is REC-A looped back through its transceiver and a cable. `emulated:pair` is REC-A and RE-1: what REC-A
sends is decoded by RE-1, which answers with the alarms it has; the source gives what REC-A receives. Line bits
come out, paced or as fast as they can be made. Seeded, so repeatable but for the pace.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterator

from decoders.frame_structure.frames import ALARM_BITS
from decoders.line_coding.characters import LineForm
from decoders.linerates import HYPERFRAMES_PER_SECOND, option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings

from ..faults.catalogue import parse_fault
from ..faults.kinds import Context, Fault
from ..sources.source import Chunk, Injection
from .cable import Cable
from .line_settings import LineSettings
from .line_writer import AnyLineWriter, open_line_writer
from .sender import EmulatedSender

__all__ = ["DEFAULT_RATE_CODES", "EmulatedSource"]

DEFAULT_RATE_CODES = {"1": 2, "2": 3, "3": 4, "4": 5, "5": 6, "6": 6, "7": 6}
"""Highest HDLC rate code of each option."""
CHUNK_HYPERFRAMES = 50


class EmulatedSource:
    """`hyperframes_per_second` None runs as fast as it can; `limit` ends the stream after so many hyperframes.

    `every_plane` as in EmulatedSender, for the direction that is given. `line`: RS-FEC and scrambling of both.
    """

    form = LineForm.BITS.value

    def __init__(
        self,
        *,
        option: str = "2",
        pair: bool = False,
        seed: int = 1,
        pointer_p: int = 40,
        hdlc_rate_code: int | None = None,
        hyperframes_per_second: float | None = None,
        limit: int | None = None,
        load: float = 0.5,
        bit_error_ratio: float = 0.0,
        delay_bits: int = 1237,
        chunk_hyperframes: int = CHUNK_HYPERFRAMES,
        every_plane: bool = False,
        first_bfn: int = 0,
        first_hfn: int = 0,
        line: LineSettings | None = None,
    ) -> None:
        rate = option_named(option)
        self.option = rate.name
        self._line = line or LineSettings()
        self.pair = pair
        self.seed = seed
        self.warnings: list[str] = []
        self._rate = hyperframes_per_second
        self._limit = limit
        self._chunk = chunk_hyperframes
        code = DEFAULT_RATE_CODES.get(rate.name, 6) if hdlc_rate_code is None else hdlc_rate_code
        settings = SenderSettings(
            option=rate.name, pointer_p=pointer_p, hdlc_rate_code=code, bfn=first_bfn, hfn=first_hfn
        )
        self._sender = EmulatedSender(
            settings, seed, load=load, uplink=pair, every_plane=every_plane, line=self._line
        )
        self._settings = self._sender.settings
        self._writer: AnyLineWriter = open_line_writer(LineForm.BITS, rate, self._line)
        self._cable = Cable(delay_bits, bit_error_ratio, seed + 10)
        self._far: LinkDecoder | None = None
        if pair:
            # Nothing is injected into the downlink and no cable damages it: its octets are as good as its bits.
            self._far = LinkDecoder(LinkSettings(option=rate.name, form=LineForm.OCTETS))
            self._down = EmulatedSender(settings, seed + 100, load=0.0)
        self._asked: deque[Fault] = deque()
        self._closed = threading.Event()

    @property
    def description(self) -> str:
        ends = "RE-1 to REC-A, cables" if self.pair else "REC-A, internal loopback"
        return f"emulated: Saltmarsh {ends}"

    def checked(self, text: str) -> Fault:
        """The fault of a text; InputError where it cannot be on this link."""
        fault = parse_fault(text)
        self._sender.check(fault)
        return fault

    def check_fault(self, text: str) -> None:
        """InputError where the fault cannot be on this link."""
        self.checked(text)

    def inject(self, text: str) -> Injection:
        """Put a fault in at the next hyperframe, or the one it names; InputError where it cannot be."""
        fault = self.checked(text)
        settings, line = self._settings, self._line
        context = Context(
            option_named(self.option), version=settings.version, fec=line.fec, scrambling=line.scrambling
        )
        self._asked.append(fault)
        at = self._sender.next_hyperframe if fault.hyperframe is None else fault.hyperframe
        return Injection(at, fault.text, fault.expected(context))

    def chunks(self) -> Iterator[Chunk]:
        started = time.monotonic()
        sent = offset = 0
        while not self._closed.is_set() and (self._limit is None or sent < self._limit):
            n = self._chunk if self._limit is None else min(self._chunk, self._limit - sent)
            while self._asked:
                fault = self._asked.popleft()
                if fault.hyperframe is not None and fault.hyperframe < self._sender.next_hyperframe:
                    self.warnings.append(f"fault {fault.text} came too late and was left out")
                else:
                    self._sender.schedule(fault)
            if self._far is not None:
                self._answer(n)
            data = self._cable.carry(self._writer.write(self._sender.batch(n)))
            # What was sent is for whoever makes a truth file; a source without end must not keep it.
            self._sender.sent.clear()
            yield Chunk(data, sent * 1_000_000_000 // HYPERFRAMES_PER_SECOND, offset)
            offset += len(data)
            sent += n
            if self._rate is not None:
                self._closed.wait(max(0.0, started + sent / self._rate - time.monotonic()))
        # Of a stream that ends, the last part octet must still come through.
        tail = self._cable.carry(self._writer.finish()) + self._cable.finish()
        if tail and not self._closed.is_set():
            yield Chunk(tail, sent * 1_000_000_000 // HYPERFRAMES_PER_SECOND, offset)

    def _answer(self, n: int) -> None:
        """What the far end makes of the downlink goes into the alarms that it sends."""
        assert self._far is not None
        far = self._far
        self._down.sent.clear()
        for batch in self._down.batch(n):
            far.receive(batch.octets.reshape(-1))
        alarms = 0
        if far.los.active:
            alarms |= ALARM_BITS["los"] | ALARM_BITS["rai"]
        if far.state.lof:
            alarms |= ALARM_BITS["lof"] | ALARM_BITS["rai"]
        self._sender.encoder.alarms = alarms

    def close(self) -> None:
        self._closed.set()
