"""The page: what it loads, who may open it, and that every process of a page ends."""

from __future__ import annotations

import asyncio
import json
import re
import shlex
import socket
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import aiohttp
import pytest

from monitor.errors import InputError
from monitor.web import page_server
from monitor.web.page_server import PageServer, host_allowed, origin_allowed
from tests.support.patience import patience

ECHO = Path(__file__).with_name("echo_screen.py")
"""In place of a screen: says what it is told, in the packets of Textual's web driver."""


COMMAND = f"exec {shlex.quote(sys.executable)} {shlex.quote(str(ECHO))}"


@contextmanager
def served() -> Iterator[str]:
    server = PageServer(("127.0.0.1", 0), COMMAND, "framefray <b>RE-1</b>")
    server.start()
    try:
        yield server.url
    finally:
        server.close()


def get(url: str, **headers: str) -> tuple[int, str, dict[str, str]]:
    try:
        with urllib.request.urlopen(urllib.request.Request(url, headers=headers), timeout=patience(5)) as got:
            return got.status, got.read().decode("utf-8", "replace"), dict(got.headers)
    except urllib.error.HTTPError as refused:
        return refused.code, refused.read().decode(), {}


def test_the_page_names_nothing_from_elsewhere_and_forbids_it() -> None:
    with served() as url:
        status, page, headers = get(url)
        assert status == 200
        links = re.findall(r"""(?<![\w-])(?:src|href|url)[=(]["']?([^"')\s>]+)""", page)
        assert len(links) >= 5 and all(link.startswith(("/", "data:")) for link in links)
        for link in links:
            if link.startswith("/static") or link == "/page.js":
                assert get(url.rstrip("/") + link)[0] == 200, link
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
        assert set(re.findall(r"\w+://[^ ;]+", policy)) == {f"ws://{urlsplit(url).netloc}/ws"}
        assert "framefray &lt;b&gt;RE-1&lt;/b&gt;" in page and "<b>RE-1" not in page
        for elsewhere in ("/static/", "/static/../server.py", "/download/x", "/x"):
            assert get(url.rstrip("/") + elsewhere)[0] in (403, 404)


@pytest.mark.parametrize(
    ("host", "bound", "allowed"),
    [
        ("127.0.0.1:8000", "127.0.0.1", True),
        ("localhost:8000", "127.0.0.1", True),
        ("[::1]:8000", "::1", True),
        ("pages.example:8000", "127.0.0.1", False),
        ("10.0.0.7:8000", "127.0.0.1", False),
        ("10.0.0.7:8000", "0.0.0.0", True),
        ("[fe80::1]:8000", "::", True),
        (f"{socket.gethostname()}:8000", "0.0.0.0", True),
        ("pages.example", "0.0.0.0", False),
        ("", "0.0.0.0", False),
    ],
)
def test_names_that_lead_to_the_page(host: str, bound: str, allowed: bool) -> None:
    assert host_allowed(host, bound) is allowed


def test_only_the_page_itself_may_open_its_socket() -> None:
    assert origin_allowed("http://127.0.0.1:8000", "127.0.0.1:8000")
    assert origin_allowed(None, "127.0.0.1:8000")  # no browser
    for origin in ("http://pages.example", "http://127.0.0.1:9000", "null", ""):
        assert not origin_allowed(origin, "127.0.0.1:8000")


async def said(viewer: aiohttp.ClientWebSocketResponse, text: str) -> None:
    """Wait until the screen has said so."""
    got = ""
    while text not in got:
        message = await asyncio.wait_for(viewer.receive(), patience(10))
        assert message.type is aiohttp.WSMsgType.BINARY, message
        got += message.data.decode()


async def closed(viewer: aiohttp.ClientWebSocketResponse) -> None:
    while True:
        message = await asyncio.wait_for(viewer.receive(), patience(10))
        if message.type in (aiohttp.WSMsgType.CLOSE, aiohttp.WSMsgType.CLOSED, aiohttp.WSMsgType.CLOSING):
            return


async def test_keys_and_sizes_reach_the_screen_and_bad_messages_end_the_page() -> None:
    with served() as url:
        async with aiohttp.ClientSession() as session:
            address = url.replace("http", "ws") + "ws"
            async with session.ws_connect(f"{address}?width=99999999&height=x") as viewer:
                await said(viewer, "size 500x24;")
                await viewer.send_str(json.dumps(["stdin", "q\x1b[A"]))
                await said(viewer, "got 'q\\x1b[A';")
                await viewer.send_str(json.dumps(["resize", {"width": 100, "height": -5}]))
                await said(viewer, '"width": 100, "height": 5')
            for message in ("[", "7", "[]", '["x"]', '["stdin", 7]', '["resize", []]', "[" * 60_000):
                async with session.ws_connect(address) as viewer:
                    await said(viewer, "size")
                    await viewer.send_str(message)
                    await closed(viewer)


async def test_pages_from_elsewhere_and_too_many_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_server, "MOST_VIEWERS", 2)
    with served() as url:
        address = url.replace("http", "ws") + "ws"
        async with aiohttp.ClientSession() as session:
            for headers in ({"Origin": "http://pages.example"}, {"Host": "pages.example"}):
                with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                    await session.ws_connect(address, headers=headers)
                assert refused.value.status == 403
            own = {"Origin": url.rstrip("/")}
            async with session.ws_connect(address, headers=own), session.ws_connect(address):
                with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                    await session.ws_connect(address)
                assert refused.value.status == 503


async def test_processes_end_with_their_page_and_with_the_server(tmp_path: Path) -> None:
    ends = tmp_path / "ends"
    server = PageServer(("127.0.0.1", 0), f"{COMMAND} {shlex.quote(str(ends))}", "x")
    server.start()
    address = server.url.replace("http", "ws") + "ws"
    async with aiohttp.ClientSession() as session:
        async with session.ws_connect(address) as viewer:
            await said(viewer, "size")
        async with session.ws_connect(address) as viewer:
            await said(viewer, "size")
            closing = asyncio.create_task(closed(viewer))
            await asyncio.get_running_loop().run_in_executor(None, server.close)
            await closing
    assert ends.read_text(encoding="utf-8") == "quit\nquit\n"


def test_a_missing_library_and_a_port_in_use_are_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        with pytest.raises(InputError, match="Address already in use"):
            PageServer(taken.getsockname()[:2], "true", "x")
        monkeypatch.setitem(sys.modules, "textual_serve.app_service", None)
        with pytest.raises(InputError, match=r"pip install 'framefray\[web\]'"):
            PageServer(("127.0.0.1", 0), "true", "x")
