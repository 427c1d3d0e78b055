"""Pictures of each view, from a seeded emulated link that is stepped by hand: the same each time.

    python tests/screens/make_pictures.py [FOLDER]

writes FOLDER (captures/pictures) /VIEW-COLUMNSxLINES.svg. Nothing in a picture is fetched from anywhere: the rules
for fonts are taken out, and any monospace font will do. Exit status 1 where a picture is larger than it may be.
"""

from __future__ import annotations

import asyncio
import os
import re
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path

from textual.pilot import Pilot

from monitor.emulation.emulated_link import EmulatedSource
from monitor.links.pipeline import Pipeline
from monitor.tui.app import FrayApp

LARGEST = 200_000
SEED = 7
SIZES = ((80, 24), (120, 40), (200, 60))
PICTURES = tuple((view, size) for view in ("link", "said", "break", "delay") for size in SIZES)
Screen = Pilot[int]


def _advance(app: FrayApp, steps: int) -> None:
    for _ in range(steps):
        app.pipeline.step()
        app.tick()


async def _link(app: FrayApp, pilot: Screen) -> None:
    await pilot.press("1", "e", "right", "down", "down")


async def _said(app: FrayApp, pilot: Screen) -> None:
    await pilot.press("2")
    _advance(app, 10)


async def _break(app: FrayApp, pilot: Screen) -> None:
    await pilot.press("3")
    names = [fault.name for fault in app.fault_list.faults]
    for name in ("hdlc.fcs", "ethernet.fcs", "sync.hfn"):
        app.fault_list.action_step(names.index(name) - app.fault_list.index)
        await pilot.press("enter")
        await pilot.pause()
        _advance(app, 32)


async def _delay(app: FrayApp, pilot: Screen) -> None:
    await pilot.press("4", "c", "enter")
    await pilot.pause()
    while app.resets.step():
        pass


VIEWS: dict[str, Callable[[FrayApp, Screen], Awaitable[None]]] = {
    "link": _link,
    "said": _said,
    "break": _break,
    "delay": _delay,
}


async def picture(view: str, size: tuple[int, int]) -> str:
    """One view as SVG text."""
    source = EmulatedSource(pair=True, seed=SEED)
    app = FrayApp(Pipeline(source), live=False, colour=True, title="emulated:pair")
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        _advance(app, 20)
        await VIEWS[view](app, pilot)
        await pilot.pause()
        app.tick()
        await pilot.pause()
        return plain(app.export_screenshot(title="framefray"))


def plain(svg: str) -> str:
    """Without rules that fetch fonts, names that depend on the text, and blanks at the ends of lines."""
    svg = re.sub(r"@font-face\s*\{.*?\}", "", svg, flags=re.DOTALL)
    svg = re.sub(r"terminal-\d+", "fray", svg)
    svg = re.sub(r"font-family:[^;]*;", "font-family: monospace;", svg)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    return "\n".join(line.rstrip() for line in svg.splitlines() if line.strip()) + "\n"


def main(folder: Path) -> int:
    os.environ.pop("NO_COLOR", None)
    os.environ.pop("SSH_CONNECTION", None)
    folder.mkdir(parents=True, exist_ok=True)
    too_large = 0
    for view, (columns, lines) in PICTURES:
        svg = asyncio.run(picture(view, (columns, lines)))
        path = folder / f"{view}-{columns}x{lines}.svg"
        path.write_text(svg, encoding="utf-8")
        size = len(svg.encode())
        too_large += size > LARGEST
        print(f"{path}: {size} bytes{' TOO LARGE' if size > LARGEST else ''}")
    return 1 if too_large else 0


if __name__ == "__main__":
    root = Path(__file__).parents[2]
    sys.exit(main(Path(sys.argv[1]) if len(sys.argv) > 1 else root / "captures" / "pictures"))
