"""A real Chromium, driven by the WebDriver protocol (W3C Recommendation) over plain HTTP.

It resolves no name but those of the loopback, so a page that fetches anything from elsewhere cannot be whole.
"""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.support.patience import patience

__all__ = ["BROWSER", "Browser", "browser"]

BROWSER = shutil.which("chromium") is not None and shutil.which("chromedriver") is not None
_ESCAPE = re.compile(rb"\x1b(?:\[[0-9;?$]*[ -/]*[@-~]|\][^\x07\x1b]*(?:\x07|\x1b\\)|.)", re.DOTALL)


class Browser:
    """One tab. `text` is what its web socket has brought since it was opened, escape sequences left out."""

    def __init__(self, driver: str, session: str) -> None:
        self._session = f"{driver}/session/{session}"
        self.requests: list[str] = []
        self._received = b""

    def ask(self, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
        return _ask(method, f"{self._session}{path}", body)

    def open(self, url: str) -> None:
        self.ask("POST", "/url", {"url": url})

    def press(self, *keys: str) -> None:
        """Each key down and up; special ones as the private characters of the protocol."""
        actions = [{"type": kind, "value": key} for key in keys for kind in ("keyDown", "keyUp")]
        body = {"actions": [{"type": "key", "id": "keyboard", "actions": actions}]}
        self.ask("POST", "/actions", body)

    def run(self, script: str) -> Any:
        return self.ask("POST", "/execute/sync", {"script": script, "args": []})

    def picture(self) -> bytes:
        """The page as a PNG file."""
        return base64.b64decode(self.ask("GET", "/screenshot"))

    @property
    def text(self) -> str:
        for entry in self.ask("POST", "/se/log", {"type": "performance"}):
            message = json.loads(entry["message"])["message"]
            if message["method"] in ("Network.requestWillBeSent", "Network.webSocketCreated"):
                parameters = message["params"]
                self.requests.append(parameters.get("url") or parameters["request"]["url"])
            elif message["method"] == "Network.webSocketFrameReceived":
                response = message["params"]["response"]
                if response["opcode"] == 2:
                    self._received += base64.b64decode(response["payloadData"])
        return _ESCAPE.sub(b" ", self._received).decode("utf-8", "replace")


def _ask(method: str, url: str, body: dict[str, Any] | None = None) -> Any:
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data, {"Content-Type": "application/json"}, method=method)
    with urllib.request.urlopen(request, timeout=patience(60)) as answer:
        return json.load(answer)["value"]


@contextmanager
def browser(folder: Path, size: Sequence[int] = (1000, 620)) -> Iterator[Browser]:
    """A fresh Chromium without a window, its profile in `folder`."""
    driver = subprocess.Popen(
        ["chromedriver", "--port=0"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    assert driver.stdout is not None
    try:
        port = next(
            found[1] for line in driver.stdout if (found := re.search(r"successfully on port (\d+)", line))
        )
        words = [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            f"--user-data-dir={folder}",
            f"--window-size={size[0]},{size[1]}",
            "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
        ]
        wanted = {
            "alwaysMatch": {
                "browserName": "chrome",
                "goog:chromeOptions": {"args": words, "binary": shutil.which("chromium")},
                "goog:loggingPrefs": {"performance": "ALL"},
            }
        }
        root = f"http://127.0.0.1:{port}"
        opened = Browser(root, _ask("POST", f"{root}/session", {"capabilities": wanted})["sessionId"])
        try:
            yield opened
        finally:
            opened.ask("DELETE", "")
    finally:
        driver.kill()
        driver.wait()
        driver.stdout.close()
