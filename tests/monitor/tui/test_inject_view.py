"""Faults injected by key, and what is told of them."""

from __future__ import annotations

from monitor.faults.verdict import Verdict
from tests.support.screen_fakes import FakeFaultySource
from tests.support.screens import advance, inject_two, screen, text


async def test_injected_faults_get_verdicts() -> None:
    async with screen(FakeFaultySource(200), steps=4) as (app, pilot):
        await inject_two(app, pilot)
        advance(app, 2)
        await pilot.pause()
        assert [j.verdict for j in app.feed.judged] == [Verdict.DETECTED, Verdict.WAITING]
        await pilot.press("enter")
        assert "is not judged yet" in "\n".join(app.inject_view.verdicts.shown())
        advance(app, 76)
        assert [j.verdict for j in app.feed.judged] == [Verdict.DETECTED, Verdict.MISSED]
        shown = "\n".join(app.inject_view.verdicts.shown())
        assert "is not judged yet" not in shown
        assert "! missed  sync.hfn at hf 160" in shown
        assert "+ detected after 0 hf, recovered after 0 hf  ethernet.fcs at hf 80" in shown


async def test_a_source_without_faults_says_so() -> None:
    async with screen() as (app, pilot):
        await pilot.press("3", "enter")
        await pilot.pause()
        assert "No faults can be injected" in text(app)


async def test_refused_faults_are_said_in_words() -> None:
    async with screen(FakeFaultySource()) as (app, pilot):
        await pilot.press("3", "enter")
        await pilot.pause()
        assert "no such fault here" in text(app)
