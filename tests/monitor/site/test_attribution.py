"""What only follows from a damage at another point is no damage of its own."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.arrays import U8
from decoders.events import Plane
from decoders.frame_structure.frames import ALARM_BITS
from decoders.line_coding.characters import LineForm
from monitor.links.damage import Localised, Point
from monitor.sources.names import Segment
from tests.support.chain_locating import line_symbols, located, located_octets, sent_hyperframes

ONE, TWO, THREE = Segment("REC-A", "RE-1"), Segment("RE-1", "RE-2"), Segment("RE-2", "RE-3")
SENT = sent_hyperframes(400)
ALARMS = 130


def with_alarm(octets: U8, at: int, *names: str) -> U8:
    changed = octets.copy()
    for name in names:
        changed[at : at + 5, ALARMS, 0, 0] |= ALARM_BITS[name]
    return changed


def dark(octets: U8, at: int, hyperframes: int) -> U8:
    line = line_symbols(octets).copy()
    line[at * 4096 : (at + hyperframes) * 4096] = 0
    return line.view(np.uint8)


def symbols(octets: U8) -> U8:
    return line_symbols(octets).view(np.uint8)


def segments(result: Localised) -> list[list[str]]:
    return [[segment.name for segment in damage.segments] for damage in result.damages]


def test_alarms_behind_a_loss_of_sync_are_its_consequences() -> None:
    streams = {
        Point(ONE): symbols(SENT),
        Point(TWO): dark(SENT, 200, 4),
        Point(THREE): symbols(with_alarm(SENT, 203, "sdi")),
        Point(TWO.reverse): symbols(with_alarm(SENT, 208, "los", "rai")),
    }
    result = located(streams, "1", LineForm.SYMBOLS)
    assert segments(result) == [[TWO.name]]
    told = {(each.point.segment, each.text) for each in result.damages[0].consequences}
    assert (THREE, "SDI set in Z.130.0") in told
    assert (TWO.reverse, "LOS, RAI set in Z.130.0") in told


def test_an_alarm_that_nothing_explains_is_damage_of_its_segment() -> None:
    result = located_octets({ONE.name: SENT, TWO.name: with_alarm(SENT, 200, "sdi"), TWO.reverse.name: SENT})
    assert segments(result) == [[TWO.name]]
    assert result.damages[0].plane is Plane.L1


def test_an_alarm_of_a_port_that_no_point_covers_is_not_distinguishable() -> None:
    result = located_octets({ONE.name: SENT, TWO.name: with_alarm(SENT, 200, "rai")})
    assert segments(result) == [[TWO.reverse.name, TWO.name]]
    assert "RE-2>RE-1 is not covered then" in result.damages[0].reason


def test_an_alarm_behind_a_gap_of_the_port_that_it_tells_of_is_not_distinguishable() -> None:
    gapped = np.concatenate((SENT[:170], SENT[195:]))
    points = {ONE.name: SENT, TWO.name: with_alarm(SENT, 200, "rai"), TWO.reverse.name: gapped}
    jump, alarm = located_octets(points).damages
    assert jump.reason == "BFN and HFN jump by 25: sent so, or 25 hyperframes missing in the capture"
    assert alarm.segments == (TWO.reverse, TWO)


def test_an_alarm_long_after_a_loss_of_sync_is_another_damage() -> None:
    streams = {
        Point(ONE): symbols(SENT),
        Point(TWO): dark(SENT, 60, 4),
        Point(TWO.reverse): symbols(with_alarm(SENT, 300, "rai")),
    }
    assert segments(located(streams, "1", LineForm.SYMBOLS)) == [[TWO.name], [TWO.reverse.name]]


def test_two_losses_of_sync_at_one_time_are_not_told_apart() -> None:
    streams = {Point(ONE): dark(SENT, 200, 6), Point(TWO): dark(SENT, 202, 6)}
    first, second = located(streams, "1", LineForm.SYMBOLS).damages
    assert first.distinguished and first.segments == (ONE,)
    assert second.segments == (ONE, TWO)
    assert "RE-1 may have stopped sending" in second.reason


def test_the_loss_that_came_first_is_never_the_consequence() -> None:
    streams = {Point(ONE): dark(SENT, 205, 6), Point(TWO): dark(SENT, 200, 3)}
    damages = located(streams, "1", LineForm.SYMBOLS).damages
    assert [(damage.segments, damage.distinguished) for damage in damages] == [((TWO,), True), ((ONE,), True)]


@pytest.mark.parametrize("forwards", [False, True])
def test_a_node_that_sends_other_octets_for_those_it_could_not_read_is_no_second_damage(
    forwards: bool,
) -> None:
    line = line_symbols(SENT).copy()
    at = 200 * 4096 + 1607
    line[at] = 0  # no character: the octet reads 0
    behind = SENT.copy()
    behind[200].reshape(-1)[1607] = 0 if forwards else 0x77
    streams = {Point(ONE): line.view(np.uint8), Point(TWO): symbols(behind)}
    result = located(streams, "1", LineForm.SYMBOLS)
    assert segments(result) == [[ONE.name]]
    assert bool(result.damages[0].consequences) is not forwards


def test_octets_that_are_right_again_behind_the_next_node_are_clean_there() -> None:
    damaged = SENT.copy()
    damaged[200, 20, 0, 0] ^= 1
    [damage] = located_octets({ONE.name: SENT, TWO.name: damaged, THREE.name: SENT}).damages
    assert damage.segments == (TWO,)
    assert damage.clean_before == Point(ONE) and damage.clean_after == Point(THREE)
    assert damage.consequences[0].text == "octets are right again"


def test_settings_that_are_passed_on_are_of_the_first_segment() -> None:
    changed = SENT.copy()
    changed[200:203, 2, 0, 0] = 9
    result = located_octets({ONE.name: changed, TWO.name: changed})
    assert segments(result) == [[ONE.name]]


def test_damages_at_one_time_on_two_segments_are_both_named() -> None:
    one = SENT.copy()
    one[200, 100, 7, 0] ^= 1
    two = one.copy()
    two[200, 20, 0, 0] ^= 1
    result = located_octets({ONE.name: SENT, TWO.name: one, THREE.name: two})
    assert segments(result) == [[TWO.name], [THREE.name]]


def test_a_loss_beside_a_gap_of_the_capture_counts_where_the_remote_end_reports_it() -> None:
    line = line_symbols(SENT)
    torn = np.concatenate((line[: 200 * 4096 + 99], np.zeros(4 * 4096, np.uint16), line[230 * 4096 + 50 :]))
    streams = {Point(ONE): symbols(SENT), Point(TWO): torn.view(np.uint8)}
    streams[Point(TWO.reverse)] = symbols(SENT)
    assert segments(located(streams, "1", LineForm.SYMBOLS)) == []
    streams[Point(TWO.reverse)] = symbols(with_alarm(SENT, 206, "los", "rai"))
    [damage] = located(streams, "1", LineForm.SYMBOLS).damages
    assert damage.segments == (TWO,)
    assert (
        damage.reason == "the capture has a gap there, and RE-2 reports a loss of sync: one of both, or both"
    )
