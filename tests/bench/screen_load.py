"""What the screen costs and how quickly it answers, while the emulated link goes as fast as it can.

`python tests/bench/screen_load.py [PRESSES]` prints: time from key to repaint over PRESSES presses (120), paints
a second, the share of a core that the screen's own thread takes, whether the counters on the screen are those of
a decode without a screen, and the bytes a second that each view sends to a terminal of 80x24 when nobody touches
a key. No limits: a shared machine is too noisy. `--switch-interval S` sets how long a thread may hold the
interpreter, `--chunk N` the hyperframes decoded at a time. Needs Linux (/proc).
"""

from __future__ import annotations

import argparse
import asyncio
import fcntl
import os
import pty
import random
import re
import select
import signal
import statistics
import struct
import sys
import termios
import time
from collections.abc import Callable
from pathlib import Path

from textual.events import Key

from monitor.emulation.emulated_link import CHUNK_HYPERFRAMES, EmulatedSource
from monitor.links.pipeline import Pipeline
from monitor.links.snapshot import Snapshot
from monitor.tui.app import VIEWS, FrayApp

SETTLE_S, REST_S = 1.5, 5.0


class Probed(FrayApp):
    """Tells when what was asked for has been painted."""

    displays = 0
    seen: Callable[[], bool] | None = None

    def __init__(self, pipeline: Pipeline) -> None:
        super().__init__(pipeline, fps=10)
        self.painted = asyncio.Event()

    def post_display_hook(self) -> None:
        self.displays += 1
        if self.seen is not None and self.seen():
            self.seen = None
            self.painted.set()

    def held(self) -> tuple[object, ...]:
        """All that the keys pressed here change."""
        return (
            self.view,
            self.open_view.id,
            self.link_view.matrix.ns,
            self.link_view.matrix.xs,
            self.events_view.list.bad_only,
            self.inject_view.faults.index,
            self.delay_view.resets.wanted,
        )

    def changed(self, before: tuple[object, ...], paints: int) -> Callable[[], bool]:
        """Whether a key has done its work; another view must have been drawn, too."""
        return lambda: self.held() != before and (self.view == before[0] or self.refreshes > paints)


def keys(presses: int) -> list[str]:
    """Every view in turn, with keys that change something in it each time."""
    rounds = ["1", *["right", "down", "left", "up"] * 2, "2", *["b"] * 8, "3", *["down", "up"] * 4]
    rounds += ["4", *["left", "right"] * 4]
    return [rounds[i % len(rounds)] for i in range(1, presses + 1)]


async def latencies(app: Probed, presses: int) -> list[float]:
    """Seconds from each key to the paint that shows it."""
    chance = random.Random(1)
    times = []
    for key in keys(presses):
        await asyncio.sleep(chance.uniform(0.02, 0.15))
        before = app.held()
        app.painted.clear()
        app.seen = app.changed(before, app.refreshes)
        event = Key(key, key if len(key) == 1 else None)
        event.set_sender(app)
        start = time.perf_counter()
        driver = app._driver
        assert driver is not None
        driver.send_message(event)
        await shown(app, key, before)
        times.append(time.perf_counter() - start)
    return times


async def shown(app: Probed, key: str, before: tuple[object, ...]) -> None:
    """Until the key's work is painted. Where the last paint came just before the work was done, no other may come."""
    for _ in range(100):
        try:
            await asyncio.wait_for(app.painted.wait(), 0.1)
            return
        except TimeoutError:
            if app.seen is None or app.seen():
                return
    raise SystemExit(f"key {key} changed nothing within 10 s; before it: {before}")


async def answers(app: Probed, presses: int, what: str) -> None:
    """Press keys, and print how soon they were answered and what that took."""
    wall, cpu, all_cpu = time.perf_counter(), time.thread_time(), time.process_time()
    paints, displays, seen = app.refreshes, app.displays, app.pipeline.snapshot().hyperframes
    times = sorted(await latencies(app, presses))
    took, own = time.perf_counter() - wall, time.thread_time() - cpu
    rest = time.process_time() - all_cpu - own
    done = app.pipeline.snapshot().hyperframes - seen
    median, p99 = statistics.median(times), times[min(len(times) - 1, int(len(times) * 0.99))]
    print(
        f"{what}: {len(times)} keys, to repaint median {median * 1e3:.1f} ms, 99th percentile {p99 * 1e3:.1f} ms,"
        f" greatest {times[-1] * 1e3:.1f} ms"
    )
    print(
        f"  paints {(app.refreshes - paints) / took:.1f}/s, writes {(app.displays - displays) / took:.1f}/s;"
        f" screen {own / took:.2f} of a core, the rest {rest / took:.2f} of a core,"
        f" {done / took:.0f} hyperframes/s ({done / took / 15000:.2f} x line rate)"
    )


async def load(presses: int, chunk: int) -> None:
    source = EmulatedSource(pair=True, seed=1, chunk_hyperframes=chunk)
    app = Probed(Pipeline(source))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause(1.0)
        await answers(app, presses, "link alone")
        await pilot.press("1")  # the keys begin there
        await pilot.pause(0.3)
        app.delay_view.resets.wanted = 1000
        app.delay_view.pane.start()
        await answers(app, presses, "and resets beside")
        app.delay_view.resets.forget()
        for index, (name, _) in enumerate(VIEWS):
            await pilot.press(str(index + 1))
            await pilot.pause(0.3)
            wall, cpu, displays = time.perf_counter(), time.thread_time(), app.displays
            await asyncio.sleep(3)
            took = time.perf_counter() - wall
            print(
                f"at rest, {name}: writes {(app.displays - displays) / took:.1f}/s,"
                f" screen {(time.thread_time() - cpu) / took:.2f} of a core"
            )


def headless(hyperframes: int) -> Snapshot:
    pipeline = Pipeline(EmulatedSource(pair=True, seed=1, limit=hyperframes, bit_error_ratio=1e-6))
    while pipeline.step():
        pass
    return pipeline.snapshot()


async def parity(hyperframes: int) -> None:
    """Counters as they stand on the screen against those of a decode without one."""
    source = EmulatedSource(pair=True, seed=1, limit=hyperframes, bit_error_ratio=1e-6)
    app = Probed(Pipeline(source))
    async with app.run_test(size=(200, 60)) as pilot:
        await pilot.press("3")
        while not app.feed.snapshot.ended:
            await asyncio.sleep(0.05)
        await pilot.pause(0.3)
        rows = [re.match(r" [A-Z][! ](\w+) +(\d+) ", line) for line in app.inject_view.counters.shown()]
    shown = {row[1]: int(row[2]) for row in rows if row is not None}
    expected = headless(hyperframes)
    same = shown == dict(expected.counters)
    moved = sum(1 for n in expected.counters.values() if n)
    print(
        f"counters: {len(shown)} on the screen after {expected.hyperframes} hyperframes,"
        f" {moved} of {len(expected.counters)} not zero, {'equal' if same else 'NOT EQUAL'} to a decode without"
    )


def cpu_seconds(stat: Path) -> float:
    """CPU time of a thread, or of a whole process, by its file in /proc."""
    text = stat.read_text(encoding="ascii")
    fields = text.rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def received(terminal: int, seconds: float) -> int:
    """Octets that come from a terminal in this time."""
    end, octets = time.monotonic() + seconds, 0
    while (left := end - time.monotonic()) > 0:
        if select.select([terminal], [], [], left)[0]:
            octets += len(os.read(terminal, 65536))
    return octets


def at_rest(pace: str) -> None:
    """Bytes a second to a terminal of 80x24, view by view."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.environ.update(TERM="xterm-256color", COLORTERM="truecolor")
        os.environ.pop("NO_COLOR", None)
        os.environ.pop("SSH_CONNECTION", None)
        command = [sys.executable, "-m", "monitor", "demo", "--pace", pace]
        os.execv(sys.executable, command)
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    try:
        received(terminal, 4.0)
        for index, (name, _) in enumerate(VIEWS):
            os.write(terminal, str(index + 1).encode())
            received(terminal, SETTLE_S)
            stats = (Path(f"/proc/{pid}/task/{pid}/stat"), Path(f"/proc/{pid}/stat"))
            before = [cpu_seconds(stat) for stat in stats]
            octets = received(terminal, REST_S)
            screen, whole = ((cpu_seconds(s) - b) / REST_S for s, b in zip(stats, before, strict=True))
            print(
                f"terminal, {name}, pace {pace}: {octets / REST_S / 1000:.1f} kB/s, screen {screen:.2f} of a core,"
                f" the whole demo {whole:.2f}"
            )
    finally:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        os.close(terminal)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("presses", nargs="?", type=int, default=120)
    parser.add_argument("--switch-interval", type=float)
    parser.add_argument("--chunk", type=int, default=CHUNK_HYPERFRAMES)
    parser.add_argument("--hyperframes", type=int, default=6000)
    parser.add_argument("--no-terminal", action="store_true")
    arguments = parser.parse_args()
    if arguments.switch_interval is not None:
        sys.setswitchinterval(arguments.switch_interval)
    print(f"switch interval {sys.getswitchinterval() * 1e3:.1f} ms, {arguments.chunk} hyperframes a chunk")
    asyncio.run(load(arguments.presses, arguments.chunk))
    asyncio.run(parity(arguments.hyperframes))
    if not arguments.no_terminal:
        for pace in ("0", "750"):
            at_rest(pace)


if __name__ == "__main__":
    main()
