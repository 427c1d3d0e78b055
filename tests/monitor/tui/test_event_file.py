"""An event is written to a new file as text, or copied by the terminal; nothing that is there is touched."""

from __future__ import annotations

import base64
from pathlib import Path

import pytest

from monitor.links.pipeline import Pipeline
from monitor.tui.event_file import event_text, save_event
from monitor.tui.pages import EventPage
from tests.support.screen_fakes import FakeFaultySource, FakeSource
from tests.support.screens import advance, screen, text


async def test_w_writes_the_open_event_and_says_where(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    async with screen(FakeFaultySource(), steps=2) as (app, pilot):
        app.pipeline.inject("ethernet.fcs")
        advance(app, 5)
        await pilot.press("2", "N", "enter")
        await pilot.pause()
        await pilot.pause()
        assert isinstance(app.screen, EventPage) and "w write" in text(app)
        await pilot.press("w")
        await pilot.pause()
        entry = app.screen.entry
        written = tmp_path / f"ethernet-hf{entry.event.hyperframe}-event{entry.number}.txt"
        assert [*tmp_path.iterdir()] == [written]
        assert written.name[-12:] in text(app).splitlines()[0] and "written: " in text(app)
        told = written.read_text(encoding="ascii")
        data = getattr(entry.event, "data", b"")
        assert "wrong FCS" in told and data[:20].hex(" ").upper() in told
        await pilot.press("w")
        assert len([*tmp_path.iterdir()]) == 2 and written.read_text(encoding="ascii") == told


async def test_w_and_y_take_the_chosen_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    async with screen() as (app, pilot):
        await pilot.press("2", "e", "up", "up", "w")
        await pilot.pause()
        chosen = app.events_view.list.chosen
        assert chosen is not None
        (written,) = tmp_path.iterdir()
        assert written.read_text(encoding="ascii") == event_text(chosen)
        assert "written: " in text(app)
        sent: list[str] = []
        driver = app._driver
        assert driver is not None
        monkeypatch.setattr(driver, "write", sent.append)
        await pilot.press("y")
        copied = next(s for s in sent if s.startswith("\x1b]52;c;"))
        assert base64.b64decode(copied[7:-1]).decode("ascii") == event_text(chosen)


async def test_what_cannot_be_written_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    async with screen() as (app, pilot):

        def full(*_: object) -> Path:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr("monitor.tui.event_file.save_event", full)
        await pilot.press("2", "w")
        await pilot.pause()
        assert "not written: No space left on device" in text(app)


def test_hostile_text_is_inert_in_the_file(tmp_path: Path) -> None:
    pipeline = Pipeline(FakeSource(hostile=True))
    for _ in range(6):
        pipeline.step()
    entries = pipeline.entries_since(0)
    for entry in entries:
        octets = save_event(entry, tmp_path).read_bytes()
        assert all(32 <= octet < 127 or octet == 10 for octet in octets)
    assert len([*tmp_path.iterdir()]) == len(entries)
