"""Pipes that do not wait."""

from __future__ import annotations

import socket

from monitor.emulation.pipes import READ_OCTETS, socket_pipe


def test_what_is_there_comes_and_what_has_no_room_waits() -> None:
    one, other = socket.socketpair()
    with one, other:
        pipe = socket_pipe(one)
        assert pipe.read() == b""
        other.sendall(b"status?")
        assert pipe.read() == b"status?"
        pipe.waiting += bytes(20 * READ_OCTETS)
        assert pipe.flush() and 0 < len(pipe.waiting) < 20 * READ_OCTETS
        left = len(pipe.waiting)
        got = 20 * READ_OCTETS - left
        while got:
            got -= len(other.recv(got))
        assert pipe.flush() and len(pipe.waiting) < left
        other.close()
        assert not pipe.flush() or pipe.read() is None
