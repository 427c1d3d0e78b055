"""Pictures of each view, from a seeded emulated link that is stepped by hand: the same each time.

    python tests/screens/make_pictures.py [FOLDER]

writes FOLDER (captures/pictures) /VIEW-COLUMNSxLINES.svg, each a plain frame around the screen as it is, in whatever
monospace font there is; the same of 80x24 without colour, as NO_COLOR has it; the link at options of 64B/66B; a site.
Nothing in a picture is fetched from anywhere. Exit status 1 where a picture is larger than it may be.
"""

from __future__ import annotations

import asyncio
import html
import os
import re
import sys
from collections.abc import Awaitable, Callable, Coroutine, Iterable, Iterator
from functools import cache
from pathlib import Path

from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from textual.pilot import Pilot

from decoders.linerates import option_named
from monitor.emulation.chain import EmulatedChain
from monitor.emulation.chain_source import chain_sources
from monitor.emulation.emulated_link import EmulatedSource
from monitor.emulation.sender import iq_map_sent
from monitor.links.pipeline import Pipeline
from monitor.opening import SourceRequest
from monitor.site.chain_plan import plan_of_chain
from monitor.site.link_worker import LinkReport
from monitor.site.live_findings import LiveFindings, finding_texts
from monitor.site.site import Site
from monitor.tui.app import FrayApp
from monitor.tui.site_app import SiteApp

LARGEST = 200_000
SEED = 7
SIZES = ((80, 24), (120, 40), (200, 60))
CELL_X, CELL_Y, FONT, BASE, MARGIN = 9.6, 20.0, 15.9, 15.0, 10.0
BACKGROUND, FOREGROUND, FRAME = "#0e151d", "#e6eaee", "#5b6875"
Screen = Pilot[int]


def _advance(app: FrayApp, steps: int) -> None:
    for _ in range(steps):
        app.pipeline.step()
        app.tick()


async def _link(app: FrayApp, pilot: Screen) -> None:
    app.pipeline.inject("ethernet.fcs")
    _advance(app, 5)
    await pilot.press("1", "e", "right", "down", "down")


async def _iq(app: FrayApp, pilot: Screen) -> None:
    await pilot.press("1", "i")


async def _events(app: FrayApp, pilot: Screen) -> None:
    for name in ("hdlc.abort", "ethernet.fcs", "l1.rai", "sync.hfn"):
        app.pipeline.inject(name)
    _advance(app, 4)
    await pilot.press("2", "N", "down", "down")


async def _inject(app: FrayApp, pilot: Screen) -> None:
    await pilot.press("3")
    for name in ("hdlc.fcs", "ethernet.fcs", "sync.hfn"):
        app.inject_view.faults.choose(name)
        await pilot.press("enter")
        await pilot.pause()
        _advance(app, 32)


async def _delay(app: FrayApp, pilot: Screen) -> None:
    await pilot.press("4", "c", "enter")
    await pilot.pause()
    while app.delay_view.resets.step():
        pass


VIEWS: dict[str, Callable[[FrayApp, Screen], Awaitable[None]]] = {
    "link": _link,
    "iq": _iq,
    "events": _events,
    "inject": _inject,
    "delay": _delay,
}
PICTURES = (
    *((view, size, True) for view in VIEWS for size in SIZES),
    *((view, SIZES[0], False) for view in VIEWS),
)


HIGH_RATES = ("8", "10")


async def picture(view: str, size: tuple[int, int], *, colour: bool = True, option: str = "2") -> str:
    """One view as SVG text."""
    source = EmulatedSource(option=option, pair=True, seed=SEED, every_plane=True)
    app = FrayApp(
        Pipeline(source), live=False, colour=colour, iq_map=iq_map_sent(option_named(source.option))
    )
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        _advance(app, 20)
        await VIEWS[view](app, pilot)
        await pilot.pause()
        _advance(app, 1)
        await pilot.pause()
        return drawn(app.screen._compositor.render_strips(), size)


SITE_FAULTS = (
    "line.violation:segment=RE-1>RE-2",
    "hdlc.fcs:segment=RE-2>RE-1",
    "vendor.flip:segment=RE-2>RE-3",
)
SITE_PICTURES = ((SIZES[0], True), (SIZES[1], True), (SIZES[0], False))


@cache
def _stepped_site() -> Site:
    """The emulated chain at all its points, stepped by hand: the same each time."""
    chain = EmulatedChain(seed=SEED)
    plan = plan_of_chain(chain)
    points = [point.segment for point in plan.points if point.segment is not None]
    findings = LiveFindings([point.name for point in points], points)
    pipelines = {point.name: Pipeline(source) for point, source in chain_sources(chain, points).items()}
    for name, pipeline in pipelines.items():
        findings.attach(name, pipeline)
    for step in range(16):
        if step in (8, 9, 10):
            chain.inject(SITE_FAULTS[step - 8])
        for pipeline in pipelines.values():
            pipeline.step()
    told = finding_texts(findings.localisation.result())
    findings.close()
    site = Site(plan, SourceRequest(source=""), findings=lambda links: told)
    for link in site.links:
        link.link.take(LinkReport(pipelines[link.name].snapshot()))
    return site


async def site_picture(size: tuple[int, int], *, colour: bool = True) -> str:
    """The view of a site as SVG text."""
    app = SiteApp(_stepped_site(), live=False, colour=colour)
    async with app.run_test(size=size) as pilot:
        await pilot.press("down")
        await pilot.pause()
        app.tick()
        await pilot.pause()
        return drawn(app.screen._compositor.render_strips(), size)


def drawn(strips: Iterable[Iterable[Segment]], size: tuple[int, int]) -> str:
    """Lines of segments as SVG in a plain frame: each run of one style is a rectangle and its text."""
    width, height = size[0] * CELL_X + 2 * MARGIN, size[1] * CELL_Y + 2 * MARGIN
    styles: dict[tuple[str, bool], str] = {}
    boxes: list[str] = []
    texts: list[str] = []
    for y, strip in enumerate(strips):
        x = 0
        for segment in Segment.simplify(strip):
            style = segment.style or Style()
            front, back = _colour(style.color, FOREGROUND), _colour(style.bgcolor, BACKGROUND)
            if style.reverse:
                front, back = back, front
            left, top, run = MARGIN + x * CELL_X, MARGIN + y * CELL_Y, len(segment.text)
            if back != BACKGROUND:
                boxes.append(
                    f'<rect x="{left:g}" y="{top:g}" width="{run * CELL_X:g}" height="{CELL_Y:g}" fill="{back}"/>'
                )
            name = styles.setdefault((front, bool(style.bold)), f"s{len(styles)}")
            texts += _runs(segment.text, left, top + BASE, name)
            x += run
    rules = [
        f".{name}{{fill:{colour}{';font-weight:bold' if bold else ''}}}"
        for (colour, bold), name in styles.items()
    ]
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}">\n'
        f"<style>text{{font-family:monospace;font-size:{FONT}px;white-space:pre}}{''.join(rules)}</style>\n"
        f'<rect x="0.5" y="0.5" width="{width - 1:g}" height="{height - 1:g}"'
        f' fill="{BACKGROUND}" stroke="{FRAME}"/>\n'
    )
    return head + "\n".join([*boxes, *texts]) + "\n</svg>\n"


def _runs(text: str, left: float, base: float, name: str) -> Iterator[str]:
    """The words of a run, each at its cell, so that no font can move them."""
    for i, character in enumerate(text):
        if not character.isascii():
            yield from _drawn_character(character, left + i * CELL_X, base - BASE, name)
    for match in re.finditer(r"[!-~]+(?: [!-~]+)*", text):
        word, x = match[0], left + match.start() * CELL_X
        yield (
            f'<text class="{name}" x="{x:g}" y="{base:g}" textLength="{len(word) * CELL_X:g}">'
            f"{html.escape(word)}</text>"
        )


def _drawn_character(character: str, x: float, y: float, name: str) -> Iterator[str]:
    """Blocks, lines and braille dots as shapes: not every font has them, and none joins them without gaps."""
    code = ord(character)
    if character == "─":
        yield f'<rect class="{name}" x="{x:g}" y="{y + CELL_Y / 2 - 0.6:g}" width="{CELL_X:g}" height="1.2"/>'
    elif character == "▀" or 0x2581 <= code <= 0x2588:
        height = CELL_Y * (4 if character == "▀" else code - 0x2580) / 8
        top = y if character == "▀" else y + CELL_Y - height
        yield f'<rect class="{name}" x="{x:g}" y="{top:g}" width="{CELL_X:g}" height="{height:g}"/>'
    elif 0x2800 <= code <= 0x28FF:
        for bit, (column, row) in enumerate(((0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2), (0, 3), (1, 3))):
            if code >> bit & 1:
                cx, cy = x + CELL_X * (column + 0.5) / 2, y + CELL_Y * (row + 0.5) / 4
                yield f'<circle class="{name}" cx="{cx:g}" cy="{cy:g}" r="1.5"/>'
    else:
        yield f'<text class="{name}" x="{x:g}" y="{y + BASE:g}">{html.escape(character)}</text>'


def _colour(colour: Color | None, default: str) -> str:
    return default if colour is None or colour.is_default else colour.get_truecolor().hex


def main(folder: Path) -> int:
    os.environ.pop("NO_COLOR", None)
    os.environ.pop("SSH_CONNECTION", None)
    folder.mkdir(parents=True, exist_ok=True)
    too_large = 0
    made: dict[str, Coroutine[None, None, str]] = {}
    for view, (columns, lines), colour in PICTURES:
        made[f"{view}-{columns}x{lines}{'' if colour else '-plain'}"] = picture(
            view, (columns, lines), colour=colour
        )
    for option in HIGH_RATES:
        made[f"link-option{option}-80x24"] = picture("link", SIZES[0], option=option)
    for (columns, lines), colour in SITE_PICTURES:
        made[f"site-{columns}x{lines}{'' if colour else '-plain'}"] = site_picture(
            (columns, lines), colour=colour
        )
    for name, drawing in made.items():
        svg, path = asyncio.run(drawing), folder / f"{name}.svg"
        path.write_text(svg, encoding="utf-8")
        size = len(svg.encode())
        too_large += size > LARGEST
        print(f"{path}: {size} bytes{' TOO LARGE' if size > LARGEST else ''}")
    return 1 if too_large else 0


if __name__ == "__main__":
    root = Path(__file__).parents[2]
    sys.exit(main(Path(sys.argv[1]) if len(sys.argv) > 1 else root / "captures" / "pictures"))
