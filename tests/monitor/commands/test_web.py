"""`watch --web` as a command: pages over a real web socket, and in a real Chromium."""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import aiohttp
import pytest

from monitor.commands.web import page_command
from tests.support.boards import running_board
from tests.support.browser import BROWSER, browser
from tests.support.commands import outcome
from tests.support.patience import patience, wait_until

ROOT = Path(__file__).parents[3]
PICTURE = os.environ.get("FRAMEFRAY_WEB_PICTURE")
"""Where to keep the picture of the page, if anywhere."""
ENTER = "\ue007"


@contextmanager
def watching(*words: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """A `watch --web` that runs, and where its page is."""
    watch = subprocess.Popen(
        [sys.executable, "-m", "monitor", "watch", *words, "--web", "127.0.0.1:0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    assert watch.stderr is not None
    try:
        line = watch.stderr.readline()
        assert line.startswith("framefray: the screen is at http://127.0.0.1:"), line
        yield line.split()[-1], watch
    finally:
        if watch.poll() is None:
            watch.send_signal(signal.SIGINT)
        watch.communicate(timeout=patience(30))


class Page:
    """A page without a browser: text of its screen, escape sequences left out."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket = socket
        self.text = ""

    async def shows(self, text: str) -> None:
        """Wait until the text has been drawn since the last key."""
        while text not in self.text:
            message = await asyncio.wait_for(self._socket.receive(), patience(60))
            assert message.type is aiohttp.WSMsgType.BINARY, (message, self.text[-2000:])
            self.text += re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", message.data.decode("utf-8", "replace"))

    async def press(self, keys: str) -> None:
        self.text = ""
        await self._socket.send_str(json.dumps(["stdin", keys]))


@pytest.mark.slow
async def test_a_page_shows_the_board_that_is_opened_once_and_may_only_look() -> None:
    with (
        running_board("--tcp", "127.0.0.1:0", "--pace", "60") as (source, _),
        watching(f"RE-1={source}") as (url, watch),
    ):
        async with aiohttp.ClientSession() as session:
            address = url.replace("http", "ws") + "ws?width=100&height=30"
            async with session.ws_connect(address) as one:
                page = Page(one)
                await page.shows("HFNSYNC")
                await page.press("3")
                await page.shows("fault to inject")
                await page.press("\r")
                await page.shows("this page is for reading only")
                await page.press("4")
                await page.shows("resets")
                await page.press("\r")
                await page.shows("this page is for reading only")
                # The line is one that a board serves to one host: a second opening of it would be refused.
                watch.send_signal(signal.SIGTERM)
                while (await asyncio.wait_for(one.receive(), patience(30))).type is aiohttp.WSMsgType.BINARY:
                    pass
        out, err = watch.communicate(timeout=patience(30))
        assert watch.returncode == 130 and "RE-1: in sync" in out and "Traceback" not in err


def test_what_cannot_be_is_one_line(capfd: pytest.CaptureFixture[str]) -> None:
    for words, said in (
        (("-", "--web", "127.0.0.1:0"), "standard input cannot be watched in a browser"),
        (("emulated", "--web", "0.0.0.0:8000"), "anybody may look at the link there"),
        (("emulated", "--web-control"), "--web-control is for --web"),
        (("emulated", "--web", "8000x"), "is not HOST:PORT"),
    ):
        status, out, err = outcome(capfd, "watch", *words)
        assert (status, out, err.count("\n")) == (2, "", 1) and said in err


def test_the_command_of_a_page_has_no_words_of_its_own() -> None:
    assert "monitor.web.viewer" in page_command() and "2>" in page_command()


@pytest.mark.slow
@pytest.mark.skipif(not BROWSER, reason="chromium and its driver are not installed")
def test_the_page_in_a_real_browser(tmp_path: Path) -> None:
    """Opened by Chromium without a network: the screen is drawn, keys work, and nothing is fetched from elsewhere."""
    words = ("emulated:pair", "--web-control", "--pace", "300")
    with watching(*words) as (url, _), browser(tmp_path / "profile", (1240, 760)) as page:
        page.open(url)
        wait_until(lambda: "HFNSYNC" in page.text, 60, 0.2)
        wait_until(lambda: "fast C&M (Ethernet)" in page.text, 20, 0.2)
        if PICTURE:
            wait_until(lambda: "operation" in page.text, 20, 0.2)
            Path(PICTURE).write_bytes(page.picture())
        page.press("2")
        wait_until(lambda: "[2 Events]" in page.text, 20, 0.2)
        page.press("3")
        wait_until(lambda: "fault to inject" in page.text, 20, 0.2)
        page.press(ENTER)
        # line.flip is judged: by what the page itself injected into the link of the running site
        wait_until(lambda: re.search(r"\+ (detected|within bounds)", page.text), 30, 0.2)
        picture = page.picture()
        assert picture.startswith(b"\x89PNG") and len(picture) > 20_000
        page.press("q")
        wait_until(lambda: page.run("return document.body.classList.contains('-closed')"), 20)
        host = urlsplit(url).netloc
        requests = [each for each in page.requests if urlsplit(each).scheme in ("http", "https", "ws", "wss")]
        assert {urlsplit(each).netloc for each in requests} == {host}
        assert {urlsplit(each).path for each in requests} >= {"/", "/ws", "/page.js", "/static/js/textual.js"}
        shown = page.run("return getComputedStyle(document.querySelector('.ended')).display")
        assert shown == "block"
        errors = [
            e for e in page.ask("POST", "/se/log", {"type": "browser"}) if "Content Security" in e["message"]
        ]
        assert errors == []
