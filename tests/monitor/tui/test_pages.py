"""Pages in lines, without a screen: one event in full, and the help."""

from __future__ import annotations

from decoders import events as ev
from decoders.cm_plane.packets import Host, build_icmp_echo
from monitor.links.snapshot import LogEntry
from monitor.tui.line_pane import cells, line_text
from monitor.tui.pages import help_lines, reading
from monitor.tui.palette import LETTERS, NAMES, Look


def told(event: ev.Event, width: int = 80) -> str:
    return "\n".join(map(line_text, reading(LogEntry(7, event), Look(False))(width)))


def test_changed_octets_have_their_address_old_and_new_value_and_the_bits_between() -> None:
    page = told(ev.OctetsChanged(60, ev.Plane.VENDOR, bytes((20, 1, 0)), b"\x0f", b"\xa5"))
    assert "address       Ns Xs  Y   old   new   bits that changed" in page
    row = next(row for row in page.splitlines() if "#Z.84.0" in row)
    assert row.split() == ["#Z.84.0", "20", "1", "0", "0F", "A5", f"{0x0F ^ 0xA5:08b}"]


def test_a_frame_is_told_by_its_headers_and_octets() -> None:
    one, other = Host("02:00:00:00:00:01", "10.77.0.1"), Host("02:00:00:00:00:02", "10.77.0.2")
    frame = build_icmp_echo(one, other, 3, 485, b"abcd", reply=True)
    event = ev.FrameReceived(9, 1, 2, ev.Plane.ETHERNET, ev.FrameStatus.GOOD, frame, b"\1\2\3\4")
    page = told(event)
    assert "E  fast C&M (Ethernet)   + good" in page and "hyperframe 9, BFN.HFN 1.002" in page
    assert "sequence" in page and "485" in page and "octets in line order" in page
    assert all(cells(line) <= 60 for line in reading(LogEntry(1, event), Look(False))(60)[:6])


def test_help_has_every_key_letter_and_mark() -> None:
    lines = list(map(line_text, help_lines(Look(False), [("Everywhere", [("m", "count from here")])])(80)))
    page = "\n".join(lines)
    assert "   m              count from here" in lines
    for plane, letter in LETTERS.items():
        assert f"    {letter}   {NAMES[plane]}" in lines
    assert "octet 00" in page and "not known yet" in page and "150 000 hyperframes" in page
    assert max(map(len, lines)) <= 104
