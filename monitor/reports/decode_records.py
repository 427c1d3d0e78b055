"""Results as JSON-ready dictionaries: the contract's objects and lines, made from a decoder and its events."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from typing import Any

from decoders.counters import COUNTERS
from decoders.events import Event, FrameReceived, OctetsChanged, Plane
from decoders.frame_structure.frames import ALARM_BITS
from decoders.line_coding.block_forms import fec_shows
from decoders.link.decoder import LinkDecoder

__all__ = ["decode_record", "event_record", "frame_record", "link_record", "vendor_records"]


def link_record(decoder: LinkDecoder) -> dict[str, Any]:
    """`fec` is what was found; at 64B/66B `fec_shows` is false where the data format cannot show any."""
    option, fec, word, seed = decoder.option, decoder.fec, decoder.sync_word, decoder.scrambling_seed
    sync_word = None
    if word is not None:
        layout, origin = word.word.layout, word.word.origin
        sync_word = {"layout": layout, "origin": origin, "known_by": word.known_by.value}
    shows = {"fec_shows": fec_shows(option, decoder.settings.form)} if option.line_code == "64b66b" else {}
    return {
        "option": option.name,
        "line_rate_bps": option.line_rate_bps,
        "line_code": option.line_code,
        "bytes_per_hyperframe": option.hyperframe_octets,
        "fec": "off" if fec is None else "on",
        **shows,
        "fec_header_xor": None if fec is None else "on" if fec.header_xor else "off",
        "scrambling": None if seed is None else {"version": 2, "seed": seed},
        "sync_word": sync_word,
    }


def decode_record(decoder: LinkDecoder) -> dict[str, Any]:
    """The object of `decode --json`."""
    planes = decoder.planes
    last = planes.last
    first = None if last.first is None else {"bfn": last.first[0], "hfn": last.first[1]}
    alarms = {name: bool(planes.remote.octet & mask) for name, mask in ALARM_BITS.items()}
    return {
        "schema": "framefray.decode/1",
        "link": link_record(decoder),
        "sync": {
            "state": decoder.state.value,
            "acquired_at_hyperframe": decoder.acquired_at_hyperframe,
            "losses": decoder.losses,
            "alignment_slip_bits": decoder.alignment_slip_bits,
            "fec_codeword_phase_bits": None if decoder.fec is None else decoder.fec.codeword_phase_bits,
        },
        "hyperframes": decoder.hyperframes,
        "hyperframes_missed": decoder.hyperframes_missed,
        "hyperframes_not_received": decoder.hyperframes_not_received,
        "breaks_of_unknown_length": decoder.breaks_of_unknown_length,
        "first": first,
        "last": {"bfn": last.bfn, "hfn": last.hfn} if first else None,
        "l1": {
            "protocol_version": planes.version.accepted,
            "hdlc_rate_code": planes.rate.accepted,
            "pointer_p": planes.pointer.accepted,
            "reset": alarms["reset"],
            "rai": alarms["rai"],
            "sdi": alarms["sdi"],
            "los": alarms["los"],
            "lof": alarms["lof"],
        },
        "startup_state": planes.startup_state.value,
        "counters": {name: decoder.counters[name] for name in COUNTERS},
        "trailing_bytes": decoder.trailing_octets,
    }


def frame_record(event: FrameReceived) -> dict[str, Any]:
    """One line of `decode --frames`; `length` counts the FCS."""
    return {
        "plane": event.plane.value,
        "hyperframe": event.hyperframe,
        "bfn": event.bfn,
        "hfn": event.hfn,
        "length": event.length,
        "status": event.status.value,
        "data": event.data.hex(),
        "fcs": event.fcs.hex(),
    }


def vendor_records(event: OctetsChanged) -> Iterator[dict[str, Any]]:
    """Lines of `decode --vendor`."""
    if event.plane is not Plane.VENDOR:
        return
    for change in event.changes():
        yield {
            "hyperframe": event.hyperframe,
            "ns": change.ns,
            "xs": change.xs,
            "y": change.y,
            "old": change.old,
            "new": change.new,
        }


def event_record(event: Event) -> dict[str, Any]:
    """One line of `decode --events`: the event's name in lower case, then its fields; octets as hex."""
    name = re.sub(r"(?<!^)(?=[A-Z])", "_", type(event).__name__).lower()
    record: dict[str, Any] = {"event": name}
    if isinstance(event, FrameReceived):
        return record | frame_record(event)
    if isinstance(event, OctetsChanged):
        changes = [{"ns": c.ns, "xs": c.xs, "y": c.y, "old": c.old, "new": c.new} for c in event.changes()]
        return record | {"hyperframe": event.hyperframe, "plane": event.plane.value, "changes": changes}
    for field in dataclasses.fields(event):
        value = getattr(event, field.name)
        record[field.name] = value.hex() if isinstance(value, bytes) else value
    return record
