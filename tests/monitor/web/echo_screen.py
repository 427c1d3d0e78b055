"""A screen that says what it is told: packets as those of Textual's web driver, both ways."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path


def say(text: str, kind: bytes = b"D") -> None:
    data = text.encode()
    os.write(1, kind + len(data).to_bytes(4, "big") + data)


os.write(1, b"__GANGLION__\n")
say(f"size {os.environ['COLUMNS']}x{os.environ['ROWS']};")
while head := sys.stdin.buffer.read(5):
    payload = sys.stdin.buffer.read(int.from_bytes(head[1:], "big"))
    if head[:1] == b"D":
        say(f"got {payload.decode()!r};")
    elif json.loads(payload)["type"] == "quit":
        if len(sys.argv) > 1:
            with Path(sys.argv[1]).open("a", encoding="utf-8") as file:
                file.write("quit\n")
        break
    else:
        say(f"meta {payload.decode()};")
say(json.dumps({"type": "exit"}), b"M")
