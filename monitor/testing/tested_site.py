"""Sites for tests: put a fault in at one board, and say what must have moved at another.

    site = EmulatedSite(option="2", nodes=("REC-A", "RE-1"))
    site.run(20)
    site["REC-A"].inject("line.violation:count=16")
    site.run(60)
    site["RE-1"].expect(code_violations=16, los_events=1, lof_events=1, within=30, others=None)
    site["REC-A"].expect(l1_alarm_changes=(2, 8))

`LiveSite` is the same on two boards that a cable joins. Time passes at all boards together; `within` counts at the
receiver of the fault, for what comes back takes as long as the boards and their lines to the host do.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import TYPE_CHECKING

from ..errors import InputError
from ..sources.names import Segment
from .tested_link import TestedLink

if TYPE_CHECKING:
    from decoders.events import Event

    from ..campaign.live_link import Trial
    from ..sources.source import Injection

__all__ = ["EmulatedSite", "LiveSite", "SitePort", "TestedSite"]


class SitePort(TestedLink):
    """What one board receives on one segment, and what it transmits.

    `run`, `mark`, `moved`, `expect` and `in_sync` are of this receiver. `inject` puts a fault into what the board
    transmits: it counts at the receiver of the neighbour, and at every other board from the same moment on.
    """

    def __init__(self, site: TestedSite, segment: Segment) -> None:
        super().__init__()
        self.site = site
        self.segment = segment

    @property
    def name(self) -> str:
        """The board."""
        return self.segment.receiver

    def run(self, hyperframes: int = 1) -> list[Event]:
        """So many hyperframes pass at every board; the events of this receiver."""
        before = len(self.events)
        self.site.run(hyperframes)
        return self.events[before:]

    def inject(self, fault: str, to: str | None = None) -> int:
        """Put a fault into what this board transmits to its neighbour `to`; the hyperframe there.

        It is put in at the next hyperframe, or at the one its text names, as the neighbour counts them. InputError
        where the fault cannot be, and where the board has several neighbours and none is named.
        """
        return self.site.inject(self.name, fault, to)

    def fault_placed(self, fault: str, at: int | None) -> None:
        """A fault was put in somewhere: here at hyperframe `at`, or elsewhere (None)."""
        self._note(fault, self.hyperframe if at is None else at)

    def _advance(self, hyperframes: int) -> list[Event]:
        self.site.run(hyperframes)
        return []

    def _inject(self, fault: str) -> Injection:
        raise NotImplementedError("SitePort.inject asks the site")


class TestedSite(ABC):
    """Boards by name; `site["RE-1"]` is what RE-1 receives from upstream, `site["RE-2>RE-1"]` what from RE-2."""

    __test__ = False

    def __init__(self) -> None:
        self.ports: dict[Segment, SitePort] = {}

    @abstractmethod
    def _step(self, hyperframes: int) -> None:
        """So many hyperframes pass; each port's events are added to its own."""

    @abstractmethod
    def _place(self, segment: Segment, fault: str) -> Injection:
        """Put a fault in on a segment; its place as the receiver counts."""

    def close(self) -> None:  # noqa: B027
        """Leave the boards alone again."""

    @property
    def names(self) -> tuple[str, ...]:
        """The boards, from the REC outwards."""
        return tuple(dict.fromkeys(segment.sender for segment in self.ports))

    def __getitem__(self, name: str) -> SitePort:
        """A board by its name, or a receiver by its segment SENDER>RECEIVER; InputError where there is none."""
        for segment, port in self.ports.items():
            if name in (segment.name, segment.receiver):
                return port
        raise InputError(f"the site has no board {name!r}", hint=f"there are {', '.join(self.names)}")

    def run(self, hyperframes: int = 1) -> None:
        """So many hyperframes pass at every board, and are decoded."""
        if hyperframes < 1:
            raise InputError(f"a site runs 1 hyperframe or more, not {hyperframes}")
        self._step(hyperframes)

    def inject(self, sender: str, fault: str, to: str | None = None) -> int:
        """Put a fault into what `sender` transmits to `to`, its only neighbour if none is named."""
        ways = [s for s in self.ports if s.sender == sender and to in (None, s.receiver)]
        if len(ways) != 1:
            neighbours = " or ".join(s.receiver for s in self.ports if s.sender == sender)
            raise InputError(
                f"{sender} has no neighbour {to}" if to else f"{sender} has several neighbours",
                hint=f"to={neighbours}",
            )
        (segment,) = ways
        injection = self._place(segment, fault)
        for other, port in self.ports.items():
            port.fault_placed(injection.text, injection.hyperframe if other == segment else None)
        return injection.hyperframe


class _EmulatedPort(SitePort):
    def __init__(self, site: TestedSite, segment: Segment, option: str) -> None:
        from decoders.line_coding.characters import LineForm
        from decoders.link.decoder import LinkDecoder
        from decoders.link.settings import LinkSettings

        super().__init__(site, segment)
        self.decoder = LinkDecoder(LinkSettings(option, LineForm.SYMBOLS))
        self._start = self.counters

    @property
    def hyperframe(self) -> int:
        """Number of the next hyperframe to be received."""
        return self.decoder.hyperframes + self.decoder.hyperframes_missed

    @property
    def counters(self) -> dict[str, int]:
        return dict(self.decoder.counters)

    @property
    def in_sync(self) -> bool:
        return self.decoder.state == "HFNSYNC"

    def _number(self, event: Event) -> int | None:
        return event.hyperframe


class EmulatedSite(TestedSite):
    """An emulated chain with a decoder at the end of each segment; nothing is sent but by `run`.

    It is in operation from the start: in sync everywhere. InputError for settings that cannot be.
    """

    def __init__(
        self,
        *,
        option: str = "2",
        nodes: Sequence[str] = ("REC-A", "RE-1"),
        seed: int = 1,
        pointer_p: int = 40,
        hdlc_rate_code: int | None = None,
    ) -> None:
        from decoders.errors import DecodersError

        from ..emulation.chain import EmulatedChain

        super().__init__()
        try:
            self.chain = EmulatedChain(
                option, nodes, seed=seed, pointer_p=pointer_p, hdlc_rate_code=hdlc_rate_code
            )
        except DecodersError as error:
            raise InputError(str(error)) from None
        self.ports = {point: _EmulatedPort(self, point, option) for point in self.chain.points}

    def _step(self, hyperframes: int) -> None:
        for segment, symbols in self.chain.step(hyperframes).items():
            port = self.ports[segment]
            assert isinstance(port, _EmulatedPort)
            port.events += port.decoder.receive(symbols.astype("<u2").tobytes())

    def _place(self, segment: Segment, fault: str) -> Injection:
        separator = "," if ":" in fault else ":"
        return self.chain.inject(f"{fault}{separator}segment={segment.name}")


class _LivePort(SitePort):
    def __init__(self, site: TestedSite, segment: Segment, trial: Trial) -> None:
        super().__init__(site, segment)
        self.trial = trial
        self._start = self.counters

    @property
    def hyperframe(self) -> int:
        """Number of the next hyperframe to be read."""
        return self.trial.hyperframe

    @property
    def counters(self) -> dict[str, int]:
        return self.trial.counters

    @property
    def in_sync(self) -> bool:
        return self.trial.receiver.state.value == "HFNSYNC"

    def _number(self, event: Event) -> int | None:
        return None if event.hyperframe is None else event.hyperframe + self.trial.origin


class LiveSite(TestedSite):
    """Two running boards that a cable joins, each as (name, source), and a decoder on what each receives.

    That they are joined is proven first, both ways, and it begins when both have been clean for a while. Octets that
    change by themselves are left out. InputError where the boards do not answer, or are not joined.
    """

    def __init__(
        self, sources: Sequence[tuple[str, str]], *, option: str | None = None, baud: int | None = None
    ) -> None:
        from contextlib import ExitStack

        from ..campaign.two_ended import open_two_ended

        super().__init__()
        if len(sources) != 2:
            raise InputError(f"a site of boards has two of them, not {len(sources)}")
        self._stack = ExitStack()
        near, far = sources
        try:
            bench = self._stack.enter_context(
                open_two_ended(sources, near, far, option=option, baud=baud, yes=True)
            )
            self.baseline = bench.baseline()
            trial = bench.clean_trial()
        except BaseException:
            self._stack.close()
            raise
        self._ends, self._trial = bench.ends, trial
        down = Segment(near[0], far[0])
        self.ports = {
            down: _LivePort(self, down, trial),
            down.reverse: _LivePort(self, down.reverse, bench.ends.near_trial),
        }

    def _step(self, hyperframes: int) -> None:
        near, far = self._ends.near_trial, self._trial
        until = far.hyperframe + hyperframes, near.hyperframe + hyperframes
        while far.hyperframe < until[0] or near.hyperframe < until[1]:
            far.feed()
        for port in self.ports.values():
            assert isinstance(port, _LivePort)
            port.events += [seen.event for seen in port.trial.timed]
            port.trial.mark()  # or it would keep all that ever came

    def _place(self, segment: Segment, fault: str) -> Injection:
        if segment.sender == self._ends.near.name:
            return self._ends.inject(fault)
        return self._ends.inject_far(fault)

    def close(self) -> None:
        self._stack.close()
