"""The path of a link between two boards: bound as it is, and nothing removed that was not made here."""

from __future__ import annotations

import socket
import time
from pathlib import Path

import pytest

from monitor.emulation import pair_link
from monitor.emulation.pair_link import PairLink
from monitor.errors import InputError
from tests.support.commands import outcome

pytestmark = pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="no sockets at a path")


@pytest.fixture(autouse=True)
def _soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pair_link, "RACE_S", 0.3)
    monkeypatch.setattr(pair_link, "BUSY_S", 0.1)


def link_at(path: Path, said: list[str] | None = None) -> PairLink:
    return PairLink(str(path), False, [].append if said is None else said.append)


def joined(link: PairLink, seconds: float = 2.0) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if link.join():
            return True
        time.sleep(0.02)
    return False


@pytest.mark.parametrize("kind", ["file", "link", "folder", "dangling"])
def test_what_is_there_and_no_socket_stays(
    kind: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path, mine = tmp_path / "path", tmp_path / "mine"
    mine.write_text("three days of work")
    match kind:
        case "file":
            path.write_text("three days of work")
        case "link":
            path.symlink_to(mine)
        case "folder":
            path.mkdir()
        case _:
            path.symlink_to(tmp_path / "nowhere")
    before = sorted(tmp_path.iterdir())
    status, out, err = outcome(
        capfd, "board", "--tcp", "0", "--loopback", "pair", "--link", path, "--hyperframes", "2"
    )
    assert (status, out) == (2, "")
    assert err == f"framefray: {path}: exists already and is no socket; name a path that is free\n"
    assert sorted(tmp_path.iterdir()) == before
    assert mine.read_text() == "three days of work"
    assert kind != "file" or path.read_text() == "three days of work"


def test_the_socket_of_another_program_stays(tmp_path: Path) -> None:
    path = tmp_path / "path"
    with socket.socket(socket.AF_UNIX) as other:
        other.bind(str(path))  # bound, and not listening: nobody answers
        link = link_at(path)
        with pytest.raises(
            InputError, match="there is already a socket, and no program answers; remove it if"
        ):
            joined(link)
        link.close()
        assert path.is_socket()


def test_a_socket_made_here_goes_and_its_follower_stays(tmp_path: Path) -> None:
    path = tmp_path / "path"
    link = link_at(path)
    assert not link.join() and path.is_socket()
    link.close()
    assert not path.exists()
    link = link_at(path)
    assert not link.join()
    path.unlink()
    path.write_text("put there meanwhile")
    link.close()
    assert path.read_text() == "put there meanwhile"


def test_two_that_start_together_find_each_other(tmp_path: Path) -> None:
    path = tmp_path / "path"
    with socket.socket(socket.AF_UNIX) as early:  # has bound, and does not listen yet
        early.bind(str(path))
        link = link_at(path)
        assert not link.join() and link.listener is None
        early.listen(1)
        assert joined(link)
        link.close()
        assert path.is_socket()


def test_who_is_left_waits_beside_the_socket_of_one_that_was_killed(tmp_path: Path) -> None:
    path = tmp_path / "path"
    said: list[str] = []
    first, second = link_at(path), link_at(path, said)
    assert not first.join() and joined(second) and joined(first)
    assert first.listener is not None
    first.listener.close()  # as a kill leaves it: the path stays
    first._drop()
    second.heard = True
    second.down()
    assert not joined(second, 0.8)
    assert said == [
        f"{path}: there is already a socket, and no program answers: left over from the other board?"
        " remove it if no program uses it"
    ]
    path.unlink()
    assert not joined(second, 0.3) and second.listener is not None
    second.close()
    assert not path.exists()


def test_a_port_in_use_may_be_that_of_a_board_just_starting() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        text = f"127.0.0.1:{other.getsockname()[1]}"
        link = PairLink(text, False, [].append)
        assert not link.join() and link.listener is None  # bound by the other one, which does not listen yet
        other.listen(1)
        assert joined(link)
        link.close()
    with socket.socket() as never:
        never.bind(("127.0.0.1", 0))
        link = PairLink(f"127.0.0.1:{never.getsockname()[1]}", False, [].append)
        with pytest.raises(InputError, match="in use"):
            joined(link)


def test_an_address_that_is_not_here_is_told_at_once() -> None:
    link = PairLink("192.0.2.1:7", True, [].append)
    with pytest.raises(InputError, match=r"192\.0\.2\.1:7: "):
        link._listen()
