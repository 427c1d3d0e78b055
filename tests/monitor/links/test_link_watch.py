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
