"""Serial devices and pyserial URLs: a reading thread with a bounded queue, and reconnection after an unplug.

The only file that imports pyserial. `SerialLine` carries octets both ways and knows nothing of what they mean.
`socket://` is opened here and not by pyserial, whose
open throws away what the peer has already sent and whose `in_waiting` never says more than 1.
"""

from __future__ import annotations

import os
import re
import socket
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlsplit

import serial
from serial.tools import list_ports

from ..errors import InputError
from ..process.posix import terminal_errors
from .line import READ_OCTETS, LineSink

__all__ = ["SerialLine", "port_lines"]

DEFAULT_BAUD = 3_000_000
POLL_S = 0.1
WRITE_PATIENCE_S = 2.0
BACK_OFF_S = (0.5, 5.0)

_TROUBLE: tuple[type[BaseException], ...] = (serial.SerialException, OSError, *terminal_errors())
_TROUBLE_OR_VALUE: tuple[type[BaseException], ...] = (*_TROUBLE, ValueError)
_TROUBLE_OR_TYPE: tuple[type[BaseException], ...] = (*_TROUBLE, TypeError)


class _Port(Protocol):
    def read(self) -> bytes: ...
    def write(self, data: bytes) -> None: ...
    def close(self) -> None: ...


class _SocketPort:
    """A TCP connection in the clear; for the loopback or a laboratory's own net."""

    def __init__(self, host: str, number: int) -> None:
        self._socket = socket.create_connection((host, number), timeout=WRITE_PATIENCE_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        # Two timeouts on one socket would race between reader and writer: the reader has its own copy of it.
        self._reading = self._socket.dup()
        self._reading.settimeout(POLL_S)

    def read(self) -> bytes:
        try:
            data = self._reading.recv(READ_OCTETS)
        except TimeoutError:
            return b""
        if not data:
            raise OSError("the other end has closed the connection")
        return data

    def write(self, data: bytes) -> None:
        self._socket.sendall(data)

    def close(self) -> None:
        self._reading.close()
        self._socket.close()


class _PyserialPort:
    """Whatever pyserial opens. Exclusive where that exists, which holds off only others that ask for it too."""

    def __init__(self, url: str, baud: int) -> None:
        port: Any = serial.serial_for_url(url, baudrate=baud, timeout=POLL_S, do_not_open=True)
        if not url.lower().startswith("rfc2217:"):  # which knows no such time
            port.write_timeout = WRITE_PATIENCE_S
        with suppress(ValueError, AttributeError):
            port.exclusive = True
        port.open()
        self._port = port
        if hasattr(port, "set_low_latency_mode"):
            with suppress(ValueError, NotImplementedError, *_TROUBLE):
                port.set_low_latency_mode(True)

    def read(self) -> bytes:
        waiting = min(self._port.in_waiting, READ_OCTETS)
        return bytes(self._port.read(max(1, waiting)))

    def write(self, data: bytes) -> None:
        self._port.write(data)

    def close(self) -> None:
        with suppress(*_TROUBLE):
            self._port.close()


def _open_port(url: str, baud: int) -> _Port:
    scheme = url.lower().partition("://")[0]
    if scheme in ("socket", "rfc2217"):
        parts = urlsplit(url)
        try:
            number = parts.port
        except ValueError:
            number = None
        if not parts.hostname or number is None:
            raise InputError(f"{url}: not {scheme}://HOST:PORT")
        if scheme == "socket":
            return _SocketPort(parts.hostname, number)
    try:
        return _PyserialPort(url, baud)
    except OverflowError:
        raise InputError(
            f"{url}: no device runs at {baud} baud", hint="give the bit rate with --baud"
        ) from None


class SerialLine:
    """A line by name. Opens in the constructor; InputError where that fails.

    After a break it tries again by itself, each 0.5 to 5 s, unless `reconnect` is False; a USB device is looked
    for by its serial number and place, for its name may have changed.
    """

    def __init__(self, url: str, baud: int = DEFAULT_BAUD, *, reconnect: bool = True) -> None:
        self.description = url
        self._url = url
        self._baud = baud
        self._reconnect = reconnect
        self._usb = _usb_place(url)
        self._closed = threading.Event()
        self._writing = threading.Lock()
        self._thread: threading.Thread | None = None
        self.octets = 0
        self.breaks = 0
        try:
            self._port: _Port | None = _open_port(url, baud)
        except _TROUBLE_OR_VALUE as error:
            raise InputError(f"{url}: {_reason(error)}", hint=_hint(url, error)) from None

    def start(self, sink: LineSink) -> None:
        """Begin to read; everything that comes goes to `sink`."""
        self._thread = threading.Thread(
            target=self._run, args=(sink,), name=f"read {self.description}", daemon=True
        )
        self._thread.start()

    def write(self, data: bytes) -> None:
        """Send octets; InputError where the line is broken or takes nothing."""
        with self._writing:
            port = self._port
            if port is None:
                raise InputError(f"{self.description}: the line is down; nothing was sent")
            try:
                port.write(data)
            except _TROUBLE as error:
                raise InputError(f"{self.description}: nothing was sent: {_reason(error)}") from None

    def close(self) -> None:
        """Stop reading, then close: closing a port that a thread reads can crash on some systems."""
        self._closed.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(2.0)
        with self._writing:
            if self._port is not None:
                self._port.close()
                self._port = None

    def _run(self, sink: LineSink) -> None:
        try:
            while not self._closed.is_set():
                reason = self._read(sink)
                if reason is None:
                    break
                self._drop_port()
                self.breaks += 1
                sink.broken(reason)
                if not self._reconnect or not self._open_again(sink):
                    break
            sink.ended("")
        except Exception as failure:  # told to whoever reads the source
            sink.ended(f"{type(failure).__name__}: {failure}")

    def _read(self, sink: LineSink) -> str | None:
        """Read until the line breaks (why) or is closed (None)."""
        port = self._port
        assert port is not None
        while not self._closed.is_set():
            try:
                data = port.read()
            except _TROUBLE_OR_TYPE as error:  # TypeError: closed while it was read
                return _reason(error)
            if data:
                self.octets += len(data)
                sink.receive(data, time.monotonic_ns())
        return None

    def _drop_port(self) -> None:
        with self._writing:
            if self._port is not None:
                self._port.close()
            self._port = None

    def _open_again(self, sink: LineSink) -> bool:
        broken_at = time.monotonic()
        wait = BACK_OFF_S[0]
        while not self._closed.wait(wait):
            url = _find_again(self._usb) or self._url
            with suppress(InputError, ValueError, *_TROUBLE):
                port = _open_port(url, self._baud)
                with self._writing:
                    self._port = port
                sink.opened(time.monotonic() - broken_at)
                return True
            wait = min(2 * wait, BACK_OFF_S[1])
        return False


def _usb_place(url: str) -> tuple[Any, ...] | None:
    """What tells a USB device again under another name: vendor, product, serial number, place."""
    with suppress(*_TROUBLE):
        real = os.path.realpath(url)
        for port in list_ports.comports():
            if port.vid is not None and port.device in (url, real):
                return port.vid, port.pid, port.serial_number, None if port.serial_number else port.location
    return None


def _find_again(place: tuple[Any, ...] | None) -> str | None:
    if place is None:
        return None
    for port in list_ports.comports():
        if (port.vid, port.pid, port.serial_number) == place[:3] and place[3] in (None, port.location):
            return str(port.device)
    return None


_ERRNO = re.compile(r".*\[Errno -?\d+\] ([^:]+)(: '.*')?", re.DOTALL)
"""The words of the last error in a text; pyserial puts number and name before it, sometimes twice."""


def _reason(error: BaseException) -> str:
    text = str(error.args[-1]) if error.args and type(error).__name__ == "error" else str(error)
    if "returned no data" in text:
        return "the device was unplugged, or another program reads it too"
    if (found := _ERRNO.fullmatch(text)) is not None:
        text = found[1]
    return text or type(error).__name__


def _hint(url: str, error: BaseException) -> str | None:
    number = getattr(error, "errno", None)
    text = str(error).lower()
    if number == 13 or "permission" in text:
        return "join the group that owns the device (dialout or uucp), then log in again"
    if number in (11, 16, 35) or "exclusive" in text or "busy" in text:
        return "another program holds it; a modem manager may for some seconds after it is plugged in"
    if number == 2 or "no such file" in text or "could not find" in text:
        return "`framefray watch --ports` lists what is there"
    if "://" in url and "refused" in text:
        return "nothing listens there"
    if isinstance(error, socket.gaierror):
        return "check the name of the host"
    if "protocol" in text and "not known" in text:
        return "there are socket://HOST:PORT, rfc2217://HOST:PORT and loop://"
    return None


def port_lines() -> list[str]:
    """One line for each serial port of this machine: name, what it is, a name that stays."""
    lines = []
    by_id = {}
    for link in sorted(Path("/dev/serial/by-id").glob("*")):
        by_id[str(link.resolve())] = str(link)
    for port in sorted(list_ports.comports(), key=lambda p: p.device):
        words = [port.device, port.description or "n/a"]
        if port.vid is not None:
            words.append(f"USB {port.vid:04X}:{port.pid:04X} serial {port.serial_number or 'none'}")
        if port.device in by_id:
            words.append(by_id[port.device])
        lines.append("  ".join(word for word in words if word != "n/a"))
    return lines
