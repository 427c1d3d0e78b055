"""A board's talk with its host."""

from __future__ import annotations

import socket

from monitor.emulation.host_port import HostPort
from monitor.emulation.host_session import ROOM_OCTETS, HostSession
from tests.support.patience import wait_until


class Echo:
    """A board of few words."""

    def start(self) -> bytes:
        return b"started."

    def status(self) -> bytes:
        return b"status."

    def receive(self, data: bytes) -> bytes:
        return b"got " + data


def test_a_host_that_comes_is_told_and_answered() -> None:
    host = HostPort(("127.0.0.1", 0))
    session = HostSession(Echo(), host)
    session.put(b"nobody is there")
    assert session.written and not session.room and session.writers() == []
    assert host.listener is not None
    with socket.create_connection(host.listener.getsockname()) as client:
        client.sendall(b"hello")
        client.settimeout(10)
        heard = bytearray()

        def talk() -> bool:
            session.serve(session.readers())
            session.tell_status()
            heard.extend(client.recv(1000) if session.written and host.pipe is not None else b"")
            return b"status." in heard

        wait_until(talk)
        assert heard.startswith(b"started.got hello") and session.room
        session.put(bytes(ROOM_OCTETS))
        assert not session.room and not session.written and session.writers()
    wait_until(lambda: session.serve([]) or host.pipe is None)
    assert session.written
    host.listener.close()
