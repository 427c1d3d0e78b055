"""Pages in a browser, each with a process of its own that draws the screen; textual-serve carries keys and text.

A thread with its own event loop serves the page, its static files and a web socket for each viewer. Nothing comes
from another host: scripts, style and font are those that textual-serve brings, and the page forbids every other
(Content-Security-Policy). A browser sends keys only from this page: requests by another host name (a page of
elsewhere may point its own name here) and sockets of pages from elsewhere are refused. No login and no encryption.
Bounded: MOST_VIEWERS pages, and the size of messages and of the screen.
"""

from __future__ import annotations

import asyncio
import ipaddress
import json
import logging
import socket
import threading
from collections.abc import Awaitable, Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from ..emulation.host_port import host_of, is_loopback, listener_at
from ..errors import InputError

if TYPE_CHECKING:
    from aiohttp import web

__all__ = ["MOST_VIEWERS", "PageServer", "host_allowed", "origin_allowed"]

MOST_VIEWERS = 8
WAITING = 32
MOST_MESSAGE = 1 << 16
LARGEST = (500, 200)
SMALLEST = (20, 5)
ENDING_S = 5.0
_STATIC = "static"


def host_allowed(host: str, bound: str) -> bool:
    """Whether a request for `host` (a Host header) may be meant for the page that is served at address `bound`.

    On the loopback only names of the loopback; elsewhere an address, or this machine's own name.
    """
    name = host_of(host).lower()
    if is_loopback(name):
        return True
    if is_loopback(bound):
        return False
    own = socket.gethostname().lower()
    if name in (own, f"{own}.local", bound.lower()):
        return True
    with suppress(ValueError):
        ipaddress.ip_address(name)
        return True
    return False


def origin_allowed(origin: str | None, host: str) -> bool:
    """Whether a web socket asked for by a page of `origin` is that of the page itself; a browser always says it."""
    return origin is None or urlsplit(origin).netloc == host


class PageServer:
    """Serves pages at an address from `start` to `close`; each runs `command`, a shell command, as its screen.

    InputError where textual-serve is not installed, and where the address cannot be listened at.
    """

    def __init__(self, address: tuple[str, int], command: str, title: str) -> None:
        try:
            import textual_serve.app_service  # noqa: F401
        except ImportError:
            raise InputError(
                "--web needs textual-serve, which is not installed", hint="pip install 'framefray[web]'"
            ) from None
        self._listener = listener_at(address, WAITING)
        self._bound, port = self._listener.getsockname()[:2]
        self.url = f"http://{f'[{self._bound}]' if ':' in self._bound else self._bound}:{port}/"
        self._command, self._title = command, title
        self._loop = asyncio.new_event_loop()
        self._end = asyncio.Event()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, name="pages", daemon=True)

    def start(self) -> None:
        self._thread.start()
        self._ready.wait(ENDING_S)

    def close(self) -> None:
        """Close every page, and end its process."""
        if self._thread.ident is None:
            self._loop.close()
        else:
            self._loop.call_soon_threadsafe(self._end.set)
            self._thread.join(2 * ENDING_S)
        self._listener.close()

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_until_complete(self._serve())
        finally:
            self._loop.close()

    async def _serve(self) -> None:
        from aiohttp import web

        for name in ("aiohttp", "textual-serve"):  # their words would stand between the lines of this program
            logger = logging.getLogger(name)
            logger.addHandler(logging.NullHandler())
            logger.propagate = False
        pages = _Pages(self._command, self._title, self._bound)
        runner = web.AppRunner(pages.application(), access_log=None, shutdown_timeout=ENDING_S)
        await runner.setup()
        await web.SockSite(runner, self._listener).start()
        self._ready.set()
        await self._end.wait()
        await pages.close()
        await runner.cleanup()


class _Pages:
    """The handlers, and the viewers that are connected."""

    def __init__(self, command: str, title: str, bound: str) -> None:
        from textual_serve.download_manager import DownloadManager

        self._command, self._title, self._bound = command, title, bound
        self._downloads = DownloadManager()
        self._sockets: set[web.WebSocketResponse] = set()
        folder = Path(__file__).parent
        self._page, self._script = (
            (folder / name).read_text(encoding="utf-8") for name in ("page.html", "page.js")
        )

    def application(self) -> web.Application:
        import textual_serve
        from aiohttp import web

        application = web.Application(middlewares=[self._guard()], client_max_size=MOST_MESSAGE)
        application.router.add_get("/", self._index)
        application.router.add_get("/page.js", self._page_script)
        application.router.add_get("/ws", self._socket)
        application.router.add_static("/static", Path(textual_serve.__file__).parent / _STATIC)
        return application

    async def close(self) -> None:
        for each in list(self._sockets):
            with suppress(ConnectionError, TimeoutError):
                await asyncio.wait_for(each.close(), ENDING_S)

    def _guard(self) -> Callable[..., Awaitable[web.StreamResponse]]:
        """Refuses requests by other names, and tells browsers to load nothing from elsewhere."""
        from aiohttp import web

        @web.middleware
        async def guard(
            request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
        ) -> web.StreamResponse:
            if not host_allowed(request.host, self._bound):
                raise web.HTTPForbidden(text="framefray: this name does not lead here\n")
            return await handler(request)

        return guard

    async def _index(self, request: web.Request) -> web.Response:
        import jinja2
        from aiohttp import web

        socket_url = f"ws://{request.host}/ws"
        page = jinja2.Environment(autoescape=True).from_string(self._page)
        text = page.render(title=self._title, socket_url=socket_url, most=MOST_VIEWERS)
        policy = (
            f"default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; font-src 'self'; "
            f"img-src 'self' data:; connect-src 'self' {socket_url}; base-uri 'none'; form-action 'none'; "
            "frame-ancestors 'none'"
        )
        headers = {
            "Content-Security-Policy": policy,
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "no-referrer",
            "Cache-Control": "no-store",
        }
        return web.Response(text=text, content_type="text/html", headers=headers)

    async def _page_script(self, request: web.Request) -> web.Response:
        from aiohttp import web

        return web.Response(text=self._script, content_type="text/javascript")

    async def _socket(self, request: web.Request) -> web.StreamResponse:
        """One viewer, from its first key to its last."""
        from aiohttp import web

        if not origin_allowed(request.headers.get("Origin"), request.host):
            raise web.HTTPForbidden(text="framefray: this page is not from here\n")
        if len(self._sockets) >= MOST_VIEWERS:
            raise web.HTTPServiceUnavailable(text=f"framefray: {MOST_VIEWERS} pages are open\n")
        viewer = web.WebSocketResponse(heartbeat=15, max_msg_size=MOST_MESSAGE)
        self._sockets.add(viewer)
        try:
            await viewer.prepare(request)
            await self._view(viewer, _size(request.query))
        finally:
            self._sockets.discard(viewer)
        return viewer

    async def _view(self, viewer: web.WebSocketResponse, size: tuple[int, int]) -> None:
        from textual_serve.app_service import AppService

        async def leave() -> None:
            await viewer.close()

        service = AppService(
            self._command,
            write_bytes=viewer.send_bytes,
            write_str=viewer.send_str,
            close=leave,
            download_manager=self._downloads,
        )
        await service.start(*size)
        try:
            async for message in viewer:
                if not await _take(service, viewer, message.data):
                    break
        except ConnectionError:
            pass
        finally:
            await _end(service)
            with suppress(ConnectionError):
                await viewer.close()


def _bounded(value: object, index: int) -> int:
    """A width (index 0) or a height in cells, within limits."""
    try:
        number: int = int(value)  # type: ignore[call-overload]
    except (TypeError, ValueError, OverflowError):
        number = (80, 24)[index]
    return max(SMALLEST[index], min(number, LARGEST[index]))


def _size(query: Any) -> tuple[int, int]:
    """Width and height in cells that a mapping holds as numbers or text."""
    return _bounded(query.get("width"), 0), _bounded(query.get("height"), 1)


async def _take(service: Any, viewer: web.WebSocketResponse, data: object) -> bool:
    """One message of the page; False for one that the page does not send."""
    try:
        kind, *rest = json.loads(data)  # type: ignore[arg-type]
    except (TypeError, ValueError, RecursionError):
        return False
    content = rest[0] if rest else None
    if kind == "stdin" and isinstance(content, str):
        await service.send_bytes(content.encode("utf-8", "replace"))
    elif kind == "resize" and isinstance(content, dict):
        await service.set_terminal_size(*_size(content))
    elif kind == "ping" and isinstance(content, str | int):
        await viewer.send_json(["pong", content])
    elif kind == "blur":
        await service.blur()
    elif kind == "focus":
        await service.focus()
    else:
        return False
    return True


async def _end(service: Any) -> None:
    """Have the process of a page end, by force where it does not, and wait for that."""
    process = getattr(service, "_process", None)
    try:
        await asyncio.wait_for(service.stop(), ENDING_S)
    except TimeoutError:
        if process is not None and process.returncode is None:
            with suppress(ProcessLookupError):
                process.kill()
    if process is not None:
        with suppress(TimeoutError):
            await asyncio.wait_for(process.wait(), ENDING_S)
