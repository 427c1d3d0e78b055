"""Where an emulated board sends the faults that its host asks for, by the count of hyperframes that it receives."""

from __future__ import annotations

from dataclasses import replace

from ..faults.kinds import Fault
from .board_sender import BoardSender

__all__ = ["SentPlaces"]

_KEPT = 64


class SentPlaces:
    """The host counts what was received, the sender what it sent.

    Two boards of a pair count apart, and the distance of their counts changes with what is on its way. Faults that
    are asked for in the same hyperframe received must be in the same hyperframe sent: a place stays once answered.
    """

    def __init__(self, sender: BoardSender) -> None:
        self._sender = sender
        self._known: dict[int, int] = {}

    def schedule(self, fault: Fault, received: int, *, pair: bool) -> tuple[int, str] | None:
        """Send a fault; the hyperframe received with which it is sent, and its text. None where that is past.

        `received` is the number of the next hyperframe received. The text of a `pair` says BFN and HFN, too.
        InputError where the fault has no place in the line.
        """
        at = received if fault.hyperframe is None else fault.hyperframe
        sent = at - received + self._sender.next_hyperframe
        text = replace(fault, hyperframe=at).text
        if pair:
            if fault.hyperframe is None:
                self._known.pop(at, None)  # nobody has named it, so its place is free
            sent = self._known.get(at, sent)
            bfn, hfn = self._sender.announced(sent)
            text = f"{text}; BFN {bfn} HFN {hfn}"
        if sent < self._sender.next_hyperframe:
            return None
        self._sender.schedule(replace(fault, hyperframe=sent))
        self._known[at] = sent
        while len(self._known) > _KEPT:
            del self._known[next(iter(self._known))]
        return at, text

    def forget(self) -> None:
        """The counts begin anew."""
        self._known.clear()
