"""Damages in words for the screen, and the gate before which nothing is laid side by side."""

from __future__ import annotations

import threading

import pytest

from decoders.events import Plane
from decoders.link.decoder import HyperframeBlock
from monitor.errors import InputError
from monitor.links.damage import ChainDamage, Localised, LocateVerdict, Point, Sign
from monitor.links.pipeline import Pipeline
from monitor.site.live_findings import MOST_FINDINGS, LiveFindings, damage_text, finding_texts
from monitor.site.localisation import PointTap
from monitor.sources.names import Segment
from tests.support.patience import patience
from tests.support.screen_fakes import FakeSource

ONE, TWO = Segment("REC-A", "RE-1"), Segment("RE-1", "RE-2")


def damage(first: int = 1802, **more: object) -> ChainDamage:
    given: dict[str, object] = {
        "segments": (TWO,),
        "signs": (Sign(Plane.VENDOR, "octets", 1, "1 octet"),),
    } | more
    return ChainDamage(
        Plane.VENDOR, point=Point(TWO), entered="line", first=first, last=first, hyperframes=1, **given
    )  # type: ignore[arg-type]


def test_a_damage_in_a_line() -> None:
    assert damage_text(damage()) == "vendor damaged on RE-1>RE-2 at BFN.HFN 12.002: 1 octet"
    assert damage_text(damage(clean_before=Point(ONE))).endswith(": 1 octet; clean at REC-A>RE-1")
    both = damage(segments=(ONE, TWO), reason="no point between", signs=())
    assert damage_text(both) == (
        "vendor damaged on REC-A>RE-1 or RE-1>RE-2 at BFN.HFN 12.002; not distinguishable: no point between"
    )


def test_the_newest_come_first_and_the_rest_are_counted() -> None:
    damages = tuple(damage(first) for first in range(12))
    texts = finding_texts(Localised((), (), damages, (), (), LocateVerdict.DAMAGE, more=3))
    assert len(texts) == MOST_FINDINGS + 1 and "BFN.HFN 0.011" in texts[0]
    assert texts[-1] == "  7 more damages before"
    assert finding_texts(Localised((), (), (), (), (), LocateVerdict.CLEAN)) == ()


def test_nothing_goes_in_before_all_points_are_there(monkeypatch: pytest.MonkeyPatch) -> None:
    taken: list[tuple[str, int]] = []

    def noting(tap: PointTap, block: HyperframeBlock) -> None:
        taken.append((tap.point.name, len(block.octets)))

    monkeypatch.setattr(PointTap, "on_block", noting)
    findings = LiveFindings(["a", "b"], [ONE, TWO])
    pipelines = [Pipeline(FakeSource()), Pipeline(FakeSource())]
    findings.attach("a", pipelines[0])
    for _ in range(6):
        pipelines[0].step()
    assert pipelines[0].snapshot().hyperframes and not taken
    findings.attach("b", pipelines[1])
    for _ in range(3):
        for pipeline in pipelines:
            pipeline.step()
    assert {name for name, _ in taken} == {"REC-A>RE-1", "RE-1>RE-2"}
    assert sum(n for name, n in taken if name == "RE-1>RE-2") == pipelines[1].snapshot().hyperframes
    before = pipelines[0].snapshot().hyperframes - sum(n for name, n in taken if name == "REC-A>RE-1")
    assert before > 0, "what came before all were there is left out"
    findings.close()
    assert findings.findings == ()


def test_points_that_do_not_hang_together_are_refused() -> None:
    with pytest.raises(InputError):
        LiveFindings(["a", "b", "c"], [ONE, TWO, Segment("RE-2", "REC-A")])


def test_a_chunk_of_one_point_goes_in_whole_before_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks whose events come late would be compared without them, and frames would be missed."""
    order: list[str] = []
    monkeypatch.setattr(PointTap, "receive", lambda tap, events: order.append(tap.point.name))
    findings = LiveFindings(["a", "b"], [ONE, TWO])
    pipelines = [Pipeline(FakeSource()), Pipeline(FakeSource())]
    for name, pipeline in zip("ab", pipelines, strict=True):
        findings.attach(name, pipeline)
    first, second = (pipeline.tap for pipeline in pipelines)
    assert first is not None and second is not None
    first.begin()
    other = threading.Thread(target=lambda: (second.begin(), second.receive([])))
    other.start()
    other.join(0.2)
    assert other.is_alive() and order == []
    first.receive([])
    other.join(patience(5))
    assert order == ["REC-A>RE-1", "RE-1>RE-2"]
    findings.close()
