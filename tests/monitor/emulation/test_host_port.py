"""The way from an emulated board to its host."""

from __future__ import annotations

import os
import select
import socket
from contextlib import ExitStack

import pytest

from monitor.emulation.host_port import HostPort, address_of
from monitor.emulation.pipes import DEAD_S
from monitor.errors import InputError
from monitor.process import posix


def test_a_host_that_takes_nothing_any_more_gives_way() -> None:
    host = HostPort(("127.0.0.1", 0))
    assert host.listener is not None
    with host.listener, ExitStack() as clients:

        def connect() -> bool:
            clients.enter_context(socket.create_connection(host.listener.getsockname()))
            select.select([host.listener], [], [], 5)
            return host.accept()

        assert connect()
        first = host.pipe
        assert first is not None
        first.waiting += bytes(50_000_000)
        assert first.flush() and first.waiting and not first.stuck
        assert not connect()  # it may only be slow
        first._taken -= DEAD_S + 1
        assert first.stuck and connect()
        assert host.pipe is not first and host.pipe is not None and not host.pipe.stuck
        host.gone()


def test_only_the_loopback_is_listened_on_unasked() -> None:
    assert address_of("7000", False) == ("127.0.0.1", 7000)
    assert address_of("[::1]:7000", False) == ("::1", 7000)
    assert address_of("0.0.0.0:7000", True) == ("0.0.0.0", 7000)
    with pytest.raises(InputError, match="is not this machine's loopback"):
        address_of("192.0.2.1:7000", False)
    for wrong in ("", "host", "127.0.0.1:65536", "127.0.0.1:port"):
        with pytest.raises(InputError, match="is not HOST:PORT"):
            address_of(wrong, True)


def test_a_pseudo_terminal_stays_while_hosts_come_and_go() -> None:
    host = HostPort(None)
    assert host.pipe is not None and host.name.startswith("/dev/")
    for text in (b"first", b"second"):
        port = os.open(host.name, os.O_RDWR | os.O_NOCTTY)
        os.write(port, text)
        select.select([host.pipe.fd], [], [], 5)
        assert host.pipe.read() == text
        os.close(port)
    host.gone()
    assert host.pipe is not None


def test_without_pseudo_terminals_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pty", None)
    with pytest.raises(InputError) as told:
        HostPort(None)
    assert str(told.value) == "--pty: this system has no pseudo-terminals; use --tcp 127.0.0.1:PORT"
    assert posix.pseudo_terminal
