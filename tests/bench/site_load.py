"""What eight recorded links at once cost the screen, against one: refreshes, keys, processor time by source.

`python tests/bench/site_load.py [PRESSES] [--links N] [--frames N]` decodes option 2 line bits as fast as it can, N
links at once, each in a process of its own; then once more with all decoders as threads of the screen's process,
which is why they are processes. No limits: a shared machine is too noisy. Takes some 20 s.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import statistics
import tempfile
import time
from pathlib import Path

from textual.events import Key

from monitor.cli.main import main as framefray
from monitor.opening import SourceRequest
from monitor.site.plan import plan_of_sources
from monitor.site.site import LinkState, Site
from monitor.site.worker_start import WorkerKind
from monitor.tui.site_app import SiteApp

FRAME = 150
"""Hyperframes of 10 ms."""


class Probed(SiteApp):
    """Tells when a key's work has been painted."""

    displays = 0
    seen_at: float | None = None
    asked: tuple[int, int] | None = None

    def held(self) -> tuple[int, int]:
        return self.site_view.pane._at, self.site_view.pane._lane

    def post_display_hook(self) -> None:
        self.displays += 1
        if self.asked is not None and self.held() != self.asked:
            self.seen_at, self.asked = time.perf_counter(), None


def recorded(folder: Path, frames: int) -> Path:
    """So many 10 ms frames of option 2 as line bits: ten crafted ones again and again, so BFN jumps back at times."""
    crafted, path = folder / "crafted.bits", folder / "recorded.bits"
    framefray(["craft", str(crafted), "--option", "2", "--hyperframes", str(10 * FRAME)])
    octets = crafted.read_bytes()
    with path.open("wb") as file:
        for _ in range(frames // 10):
            file.write(octets)
    return path


async def latencies(app: Probed, presses: int) -> list[float]:
    """Seconds from each key to the paint that shows it, while links are decoded."""
    chance, times = random.Random(1), []
    for number in range(presses):
        await asyncio.sleep(chance.uniform(0.02, 0.08))
        key = "down" if number % 2 == 0 else "up"
        app.asked, app.seen_at = app.held(), None
        event = Key(key, None)
        event.set_sender(app)
        assert app._driver is not None
        start = time.perf_counter()
        app._driver.send_message(event)
        while app.seen_at is None and time.perf_counter() - start < 5.0:
            await asyncio.sleep(0.0005)
        times.append((app.seen_at or time.perf_counter()) - start)
        if all(link.state is LinkState.ENDED for link in app.site.links):
            break
    return times


async def measure(path: Path, links: int, presses: int, kind: WorkerKind) -> None:
    plan = plan_of_sources([(f"RE-{number + 1}", str(path)) for number in range(max(links, 2))])
    site = Site(plan, SourceRequest(source="", option="2", form="bits"), kind=kind)
    site.links = site.links[:links]
    app = Probed(site, fps=10)
    with site:
        async with app.run_test(size=(80, 24)) as pilot:
            while not any(link.known for link in site.links):
                await pilot.pause(0.02)
            paints, wall, own = app.refreshes, time.perf_counter(), time.thread_time()
            times = sorted(await latencies(app, presses))
            took, screen = time.perf_counter() - wall, time.thread_time() - own
            refreshed = (app.refreshes - paints) / took
            while not all(link.state is LinkState.ENDED for link in site.links):
                await pilot.pause(0.05)
            whole = time.perf_counter() - wall
        median, p99 = statistics.median(times), times[int(len(times) * 0.99)]
        print(
            f"{links} links, a {kind} each: {len(times)} keys,"
            f" to repaint median {median * 1e3:.1f} ms, 99th percentile {p99 * 1e3:.1f} ms, greatest"
            f" {times[-1] * 1e3:.1f} ms; refreshes {refreshed:.1f}/s; screen {screen / took:.2f} of a core"
        )
        for link in site.links:
            hyperframes = link.snapshot.hyperframes
            spent = f"{link.cpu_s:.2f} s of processor time, " if kind is WorkerKind.PROCESS else ""
            print(f"  {link.name}: {hyperframes} hyperframes, {spent}{hyperframes / whole:.0f} a second")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("presses", nargs="?", type=int, default=60)
    parser.add_argument("--links", type=int, default=8)
    parser.add_argument("--frames", type=int, default=80)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = recorded(Path(folder), arguments.frames)
        asyncio.run(measure(path, 1, arguments.presses, WorkerKind.PROCESS))
        asyncio.run(measure(path, arguments.links, arguments.presses, WorkerKind.PROCESS))
        asyncio.run(measure(path, arguments.links, arguments.presses, WorkerKind.THREAD))


if __name__ == "__main__":
    main()
