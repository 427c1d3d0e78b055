"""Lines for the tests: pseudo-terminals joined by a relay that can damage, and a sink that keeps what comes."""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from collections.abc import Callable


def pty_pair() -> tuple[int, int, str]:
    """(master, slave, name of the slave), raw."""
    master, slave = os.openpty()
    tty.setraw(slave)
    return master, slave, os.ttyname(slave)


class KeepingSink:
    """Takes what a line brings."""

    def __init__(self) -> None:
        self.data = bytearray()
        self.said: list[str] = []
        self._changed = threading.Condition()

    def receive(self, data: bytes, time_ns: int) -> None:
        with self._changed:
            self.data += data
            self._changed.notify_all()

    def broken(self, reason: str) -> None:
        self._say(f"broken: {reason}")

    def opened(self, after_s: float) -> None:
        self._say("opened")

    def ended(self, reason: str) -> None:
        self._say(f"ended: {reason}")

    def _say(self, text: str) -> None:
        with self._changed:
            self.said.append(text)
            self._changed.notify_all()

    def wait(self, until: Callable[[KeepingSink], object], timeout: float = 10.0) -> None:
        with self._changed:
            assert self._changed.wait_for(lambda: until(self), timeout), (len(self.data), self.said)


class Relay:
    """Two pseudo-terminals `a` and `b`; what goes in at one comes out at the other, through `a_to_b`, `b_to_a`."""

    def __init__(
        self,
        a_to_b: Callable[[bytes], bytes] = lambda data: data,
        b_to_a: Callable[[bytes], bytes] = lambda data: data,
    ) -> None:
        self._a, self._a_slave, self.a = pty_pair()
        self._b, self._b_slave, self.b = pty_pair()
        self._stop = threading.Event()
        self._threads = [
            threading.Thread(target=self._copy, args=ends, daemon=True)
            for ends in ((self._a, self._b, a_to_b), (self._b, self._a, b_to_a))
        ]
        for thread in self._threads:
            thread.start()

    def _copy(self, source: int, target: int, change: Callable[[bytes], bytes]) -> None:
        os.set_blocking(target, False)
        while not self._stop.is_set():
            if not select.select([source], [], [], 0.05)[0]:
                continue
            try:
                data = change(os.read(source, 65536))
            except OSError:
                return
            while data and not self._stop.is_set():
                select.select([], [target], [], 0.05)
                try:
                    data = data[os.write(target, data) :]
                except BlockingIOError:
                    time.sleep(0.001)
                except OSError:
                    return

    def close(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(2.0)
        for fd in (self._a, self._a_slave, self._b, self._b_slave):
            os.close(fd)
