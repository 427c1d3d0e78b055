"""C&M frames followed over three points of a chain."""

from __future__ import annotations

import pytest

from decoders.events import FrameReceived, FrameStatus, Plane
from decoders.linerates import option_named
from monitor.site.coverage import Coverage
from monitor.site.frame_tracking import FrameSign, FrameTracking

GOOD, FCS = FrameStatus.GOOD, FrameStatus.FCS
LAG = 9
END = 3000


def frame(number: int, status: FrameStatus = GOOD, data: bytes = b"") -> FrameReceived:
    octets = data or b"\x02SM\0\0\1" + number.to_bytes(2) + bytes(range(56))
    return FrameReceived(0, 0, 0, Plane.ETHERNET, status, octets, b"\0\0\0\0")


class Chain:
    """Three points, a frame every 10 hyperframes; `lost` and `bad` say from which point on one is missing or bad."""

    def __init__(self, coverage: list[list[tuple[int, int]]] | None = None) -> None:
        self.coverage = [Coverage() for _ in range(3)]
        for here, stretches in zip(self.coverage, coverage or [[(0, END)]] * 3, strict=True):
            for start, end in stretches:
                here.add(start, end)
        self.frames = FrameTracking([option_named("1")] * 3, self.coverage)
        for point in range(3):
            self.frames.set_channel(point, Plane.ETHERNET, 96)

    def run(
        self,
        *,
        first_seen: dict[int, int] | None = None,
        lost: dict[int, int] | None = None,
        bad: dict[int, tuple[int, FrameReceived]] | None = None,
        cut: int = 0,
    ) -> list[FrameSign]:
        seen: list[tuple[int, int, FrameReceived]] = []
        for number in range(cut, 100):
            for point in range((first_seen or {}).get(number, 0), 3):
                if point >= (lost or {}).get(number, 3):
                    break
                at, damaged = (bad or {}).get(number, (3, frame(number)))
                seen.append(
                    (100 + 10 * number + LAG * point, point, damaged if point >= at else frame(number))
                )
        for time, point, event in sorted(seen, key=lambda one: one[:2]):
            self.frames.receive(point, time, event)
            self.frames.pass_by(time - 20)
        self.frames.pass_by(None)
        return self.frames.signs


def test_frames_that_pass_later_are_no_sign() -> None:
    chain = Chain()
    assert chain.run() == []
    assert chain.frames.missing == []
    assert chain.frames.lags == {(1, Plane.ETHERNET): LAG, (2, Plane.ETHERNET): LAG}


@pytest.mark.parametrize("point", [1, 2])
def test_a_frame_that_ends_at_a_point_is_missing_there(point: int) -> None:
    chain = Chain()
    assert chain.run(lost={50: point}) == []
    [missing] = chain.frames.missing
    assert (missing.point, missing.before, missing.address) == (point, point - 1, b"\x02SM\0\0\1")
    assert missing.time == 600 + LAG * point


def test_a_frame_damaged_before_the_first_point_and_dropped_there_is_of_the_first() -> None:
    chain = Chain()
    [sign] = chain.run(bad={50: (0, frame(50, FCS))}, lost={50: 1})
    assert (sign.point, sign.before, sign.kind) == (0, None, "fcs")
    assert sign.fates == ((1, "not passed on"),)
    assert chain.frames.missing == []


def test_a_frame_with_other_data_behind_a_node_is_damaged_there() -> None:
    chain = Chain()
    other = frame(0, FCS, b"\x02SM\0\0\1" + bytes(58))
    [sign] = chain.run(bad={50: (1, other)})
    assert (sign.point, sign.before, sign.kind) == (1, 0, "fcs")
    assert chain.frames.missing == []  # it is the one that came damaged


def test_a_check_sequence_that_is_wrong_over_the_right_data_is_damage_there() -> None:
    [sign] = Chain().run(bad={50: (2, frame(50, FCS))})
    assert (sign.point, sign.before, sign.kind) == (2, 1, "fcs")


def test_a_damaged_frame_sent_on_with_a_right_check_sequence_is_told() -> None:
    chain = Chain()
    damaged = b"\x02SM\0\0\1" + bytes(58)
    seen = [(100 + 10 * n + LAG * p, p, frame(n)) for n in range(60) for p in range(3) if n != 30]
    seen += [(400, 0, frame(0, FCS, damaged)), (400 + LAG, 1, frame(0, GOOD, damaged))]
    seen += [(400 + 2 * LAG, 2, frame(0, GOOD, damaged))]
    for time, point, event in sorted(seen, key=lambda one: one[:2]):
        chain.frames.receive(point, time, event)
    chain.frames.pass_by(None)
    [sign] = chain.frames.signs
    assert (sign.point, sign.kind) == (0, "fcs")
    assert sign.fates == ((1, "sent on with a right check sequence: not visible there any more"),)


def test_data_altered_under_a_right_check_sequence_are_damage_of_the_node() -> None:
    octets = bytearray(frame(50).data)
    octets[20] ^= 4
    [sign] = Chain().run(bad={50: (2, frame(50, GOOD, bytes(octets)))})
    assert (sign.point, sign.before, sign.kind) == (2, 1, "altered")


def test_a_node_that_sends_frames_of_its_own_is_told_by_their_number() -> None:
    chain = Chain()
    assert chain.run(first_seen={50: 1, 60: 1, 70: 2}) == []
    assert dict(chain.frames.inserted) == {(1, Plane.ETHERNET): 2, (2, Plane.ETHERNET): 1}


def test_what_a_point_does_not_cover_is_not_missing_there() -> None:
    chain = Chain([[(0, END)], [(0, 590), (640, END)], [(0, END)]])
    assert chain.run() == []
    chain = Chain([[(0, END)], [(0, 590), (640, END)], [(0, END)]])
    for number in range(100):
        for point in range(3):
            if point != 1 or not 48 <= number <= 52:
                chain.frames.receive(point, 100 + 10 * number + LAG * point, frame(number))
    chain.frames.pass_by(None)
    assert chain.frames.signs == [] and chain.frames.missing == []
    assert not chain.frames.inserted


def test_captures_that_end_early_miss_nothing() -> None:
    chain = Chain([[(0, END)], [(0, 700)], [(0, 800)]])
    for number in range(100):
        for point, end in enumerate((END, 700, 800)):
            time = 100 + 10 * number + LAG * point
            if time < end:
                chain.frames.receive(point, time, frame(number))
    chain.frames.pass_by(None)
    assert chain.frames.missing == [] and chain.frames.signs == []


def test_frames_that_are_all_alike_go_one_after_the_other() -> None:
    chain = Chain()
    same = b"\xff" * 64
    for number in range(100):
        for point in range(3):
            chain.frames.receive(point, 100 + 4 * number + LAG * point, frame(0, GOOD, same))
    chain.frames.pass_by(None)
    assert chain.frames.missing == [] and not chain.frames.inserted


def test_a_damaged_frame_is_not_taken_for_a_good_one_that_is_alike() -> None:
    chain = Chain()
    same = b"\xff" * 64
    for number in range(40):
        for point in range(3):
            time = 100 + 30 * number + LAG * point
            if number == 20 and point == 0:
                chain.frames.receive(0, time - 4, frame(0, FCS, same))  # dropped by the node behind it
            chain.frames.receive(point, time, frame(0, GOOD, same))
    chain.frames.pass_by(None)
    [sign] = chain.frames.signs
    assert (sign.point, sign.fates) == (0, ((1, "not passed on"),))
    assert chain.frames.missing == []


def test_frames_that_are_alike_and_as_far_apart_as_the_way_takes_are_not_mixed_up() -> None:
    chain = Chain()
    same = b"\x45" * 129
    chain.run()
    for number in range(8):
        for point in (1, 2):  # the node before the second point sends them by itself
            chain.frames.receive(point, 1200 + (LAG + 1) * (number + point), frame(0, GOOD, same))
    chain.frames.pass_by(None)
    assert chain.frames.signs == [] and chain.frames.missing == []
    assert dict(chain.frames.inserted) == {(1, Plane.ETHERNET): 8}


def test_frames_that_are_alike_from_the_first_one_on_go_one_after_the_other() -> None:
    chain = Chain()
    for number in range(12):
        for point in range(3):
            chain.frames.receive(point, 100 + (LAG - 1) * number + LAG * point, frame(0, GOOD, b"\x45" * 129))
    chain.frames.pass_by(None)
    assert chain.frames.missing == [] and not chain.frames.inserted
    assert chain.frames.lags == {(1, Plane.ETHERNET): LAG, (2, Plane.ETHERNET): LAG}
