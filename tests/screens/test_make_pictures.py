"""The pictures are the same each time, small, fetch nothing, and show what the view shows."""

from __future__ import annotations

import html
import re

from tests.screens.make_pictures import LARGEST, PICTURES, picture, plain


async def test_a_picture_is_the_same_each_time_small_and_fetches_nothing() -> None:
    svg = await picture("link", (80, 24))
    assert svg == await picture("link", (80, 24))
    assert len(svg.encode()) < LARGEST
    assert re.findall(r"https?:[^\"')\s]*", svg) == ["http://www.w3.org/2000/svg"]
    assert not re.search(r"@import|@font-face|url\((?!#)|<image|<script", svg)
    shown = html.unescape(re.sub(r"<[^>]*>", "", svg)).replace("\xa0", " ")
    assert "[1 Link]" in shown
    assert "HFNSYNC" in shown


def test_rules_for_fonts_and_changing_names_are_taken_out() -> None:
    svg = '<style>@font-face {\n src: url("https://x/y");\n}\n.terminal-12-r1 { font-family: Fira; }</style>'
    assert plain(svg) == "<style>\n.fray-r1 { font-family: monospace; }</style>\n"


def test_every_view_has_a_picture() -> None:
    assert {view for view, _ in PICTURES} == {"link", "said", "break", "delay"}
