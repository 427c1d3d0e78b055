"""Records for tests: messages of every kind, lines of records, and damage to them."""

from __future__ import annotations

import random

from hypothesis import strategies as st

from decoders.linerates import OPTIONS
from decoders.link.hyperframe_sync import SyncState
from monitor.protocol import records as r
from monitor.protocol.stream import Received, RecordWriter

__all__ = ["MESSAGES", "mutate", "options", "records_of", "some_records", "u8", "u16", "u32", "u64"]

u8, u16, u32, u64 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32, 64))
options = st.sampled_from([None, *OPTIONS])
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=60)
words = st.binary(max_size=600).map(lambda b: b[: len(b) & ~1])

MESSAGES = st.one_of(
    st.builds(r.LineData, u64, u32, options, st.binary(max_size=1200), st.just(r.RecordType.OCTETS)),
    st.builds(
        r.LineData,
        u64,
        u32.map(lambda n: n & ~1),
        options,
        words,
        st.sampled_from([r.RecordType.FLAGGED, r.RecordType.CONTROL]),
    ),
    st.builds(
        r.LineData,
        u64,
        u32.map(lambda n: n - n % 9),
        options,
        words.map(lambda b: b[: len(b) - len(b) % 9]),
        st.just(r.RecordType.BLOCKS),
    ),
    st.builds(
        r.LineCodeStatus,
        u8,
        st.integers(0, 7).map(r.LineCodeFlag),
        u16,
        *[u32] * 8,
    ),
    st.builds(
        r.Status,
        options,
        st.integers(0, 4),
        st.sampled_from(SyncState),
        st.sampled_from(r.Loopback),
        st.integers(0, 127).map(r.StatusFlag),
        st.none() | st.integers(0, 65),
        u32,
        u32,
        u64,
        *[u32] * 7,
        texts,
    ),
    st.builds(r.BoardEvent, st.sampled_from(r.EventCode), u32, u64),
    st.builds(r.LogText, texts),
    st.builds(r.Acknowledge, u32, u8, u64, texts),
    st.builds(r.Refuse, u32, u8, st.sampled_from(r.Reason), texts),
    st.just(r.AskStatus()),
    st.builds(r.SetLoopback, st.sampled_from(r.Loopback)),
    st.builds(r.ResetTransceiver, st.integers(1, 3).map(r.Transceiver)),
    st.builds(r.SetTraffic, st.sampled_from(r.TrafficPlane), st.integers(0, 100)),
    st.builds(r.InjectFault, texts),
    st.builds(r.SelectData, st.integers(0, 4)),
    st.builds(r.SendFrame, st.sampled_from(r.TrafficPlane), st.binary(max_size=r.MAX_SENT_FRAME)),
)


def records_of(items: list[Received]) -> list[r.Record]:
    return [item for item in items if isinstance(item, r.Record)]


def some_records(rng: random.Random, count: int, longest: int = 400) -> tuple[RecordWriter, list[bytes]]:
    writer = RecordWriter()
    kinds = list(r.RecordType)
    sent = [
        writer.encode(
            rng.choice(kinds),
            bytes(rng.choices((0, 1, 0xFF, rng.randrange(256)), k=rng.randrange(longest))),
            time_ns=rng.getrandbits(64),
        )
        for _ in range(count)
    ]
    return writer, sent


def mutate(rng: random.Random, line: bytes) -> bytes:
    """One to three changes of a framed record: an octet, a bit, cut out, doubled, inserted, or swapped."""
    octets = bytearray(line)
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(octets)) if octets else 0
        what = rng.randrange(6)
        if not octets or what == 0:
            octets.insert(at, rng.randrange(256))
        elif what == 1:
            octets[at] = rng.randrange(256)
        elif what == 2:
            octets[at] ^= 1 << rng.randrange(8)
        elif what == 3:
            del octets[at : at + rng.randrange(1, 20)]
        elif what == 4:
            octets[at:at] = octets[at : at + rng.randrange(1, 20)]
        else:
            octets = octets[at:] + octets[:at]
    return bytes(octets)
