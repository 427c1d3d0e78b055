"""The pictures are the same each time, small, fetch nothing, and show what the view shows in a plain frame."""

from __future__ import annotations

import html
import re

from rich.segment import Segment
from rich.style import Style

from tests.screens.make_pictures import LARGEST, PICTURES, drawn, picture, site_picture


async def test_a_picture_is_the_same_each_time_small_and_fetches_nothing() -> None:
    svg = await picture("link", (80, 24))
    assert svg == await picture("link", (80, 24))
    assert len(svg.encode()) < LARGEST
    assert re.findall(r"https?:[^\"')\s]*", svg) == ["http://www.w3.org/2000/svg"]
    assert not re.search(r"@import|@font-face|url\(|<image|<script|<circle", svg)
    shown = html.unescape(re.sub(r"<[^>]*>", " ", svg))
    assert "[1 Link]" in shown and "HFNSYNC" in shown


def test_text_lines_blocks_and_dots_stand_at_their_cells() -> None:
    bold = Style(color="#ff0000", bgcolor="#00ff00", bold=True)
    svg = drawn([[Segment("a <b"), Segment(" c", bold)], [Segment("─▄⠁")]], (6, 2))
    assert "fill:#ff0000;font-weight:bold" in svg and svg.count('fill="#00ff00"') == 1
    assert '<text class="s0" x="10" y="25" textLength="38.4">a &lt;b</text>' in svg
    assert '<text class="s1" x="58" y="25" textLength="9.6">c</text>' in svg
    assert svg.count('class="s0"') == 4 and svg.count("<circle") == 1
    assert (
        '<rect class="s0" x="19.6" y="40" width="9.6" height="10"/>' in svg
    )  # the lower half of the second cell


def test_reversed_text_changes_its_colours() -> None:
    svg = drawn([[Segment("x", Style(reverse=True))]], (1, 1))
    assert 'width="9.6" height="20" fill="#e6eaee"' in svg and "fill:#0e151d" in svg


def test_every_view_has_a_picture_of_each_size_and_one_without_colour() -> None:
    views = {view for view, _, _ in PICTURES}
    assert views == {"link", "iq", "events", "inject", "delay"}
    assert len(PICTURES) == len(views) * 4 == len(set(PICTURES))


async def test_the_site_has_a_picture_that_is_the_same_each_time() -> None:
    svg = await site_picture((80, 24))
    assert svg == await site_picture((80, 24)) and len(svg.encode()) < LARGEST
    shown = html.unescape(re.sub(r"<[^>]*>", " ", svg))
    assert (
        "[5 Site]" in shown
        and "line damaged on RE-1>RE-2" in shown
        and "vendor damaged on RE-2>RE-3" in shown
    )
