"""The watch dates a counter by the hyperframe in which it last moved, not by the batch it came in."""

from __future__ import annotations

from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.emulation.crafting import craft
from monitor.faults.catalogue import parse_fault
from monitor.links.link_watch import LinkWatch


def test_last_change_is_the_hyperframe_of_the_event() -> None:
    out = bytearray()
    faults = [parse_fault(t) for t in ("sync.hfn@9", "line.violation@12", "vendor.flip@20", "sync.bfn@25")]
    craft(SenderSettings(option="1", hdlc_rate_code=2), 40, LineForm.SYMBOLS, out.extend, faults=faults)
    decoder = LinkDecoder(LinkSettings(option="1", form=LineForm.SYMBOLS))
    watch = LinkWatch(decoder)
    watch.take(decoder.receive(bytes(out)))
    expected = {"hfn_invalid": 9, "code_violations": 12, "vendor_changes": 21, "bfn_discontinuities": 26}
    assert {name: watch.last_change[name] for name in expected} == expected
    assert "disparity_errors" not in watch.last_change
    before = dict(watch.last_change)
    watch.take([])
    assert watch.last_change == before


def _watched(option: str, form: LineForm, hyperframes: int, *faults: str) -> LinkWatch:
    out = bytearray()
    parsed = [parse_fault(text) for text in faults]
    craft(SenderSettings(option=option, hdlc_rate_code=2), hyperframes, form, out.extend, faults=parsed)
    decoder = LinkDecoder(LinkSettings(option=option, form=form))
    watch = LinkWatch(decoder)
    watch.take(decoder.receive(bytes(out)))
    return watch


def test_a_change_of_the_pointer_dates_no_alarm() -> None:
    """RAI comes at 10 and goes at 12; the pointer of hyperframes 30 and 31 is another octet."""
    watch = _watched(
        "1", LineForm.OCTETS, 40, "l1.rai@10:hyperframes=2", "l1.pointer@30:value=30,hyperframes=2"
    )
    assert watch.decoder.counters["l1_alarm_changes"] == 2
    assert watch.last_change["l1_alarm_changes"] == 12


def test_a_realignment_has_its_date() -> None:
    """One bit more in hyperframe 20: sync is lost and found anew, long before the batch ends."""
    watch = _watched("1", LineForm.BITS, 80, "line.slip@20")
    decoder = watch.decoder
    assert decoder.counters["realignments"] == 1
    assert 20 <= watch.last_change["realignments"] < 30 < decoder.hyperframes
