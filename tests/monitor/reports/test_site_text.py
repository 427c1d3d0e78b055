"""Several links in words."""

from __future__ import annotations

from decoders.events import Plane
from monitor.reports.site_text import SiteLine, site_text_lines
from tests.support.sites import healthy


def test_known_and_unknown_links() -> None:
    known = SiteLine("REC-A>RE-1", "in sync", "", healthy(), True, {Plane.HDLC: 2, Plane.LINE: 5})
    clean = SiteLine("RE-1>REC-A", "ended", "", healthy(), True, {})
    dark = SiteLine("RE-3", "failed", "No such file", healthy(), False, {})
    lines = site_text_lines("Saltmarsh", [known, clean, dark])
    assert lines[0] == "Saltmarsh: 3 links"
    assert "REC-A>RE-1: in sync" in lines and "  errors       hdlc 2, line 5" in lines
    assert "  hyperframes  120 decoded, 0 lost, 0 not received" in lines and "  errors       none" in lines
    assert lines[-3:] == [
        "RE-3: failed (No such file)",
        "  source       fake link",
        "  hyperframes  none in sync",
    ]
