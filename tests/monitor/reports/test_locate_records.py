"""The JSON object of locate."""

from __future__ import annotations

import json

from monitor.reports.locate_records import locate_record
from monitor.text import json_text
from tests.support.chain_locating import located_octets, sent_hyperframes

SENT = sent_hyperframes(200)


def test_a_record_has_the_segment_the_points_and_the_octets() -> None:
    damaged = SENT.copy()
    damaged[120, 84, 0, 0] ^= 1
    record = json.loads(json_text(locate_record(located_octets({"REC-A>RE-1": SENT, "RE-1>RE-2": damaged}))))
    assert record["schema"] == "framefray.locate/1"
    assert record["verdict"] == "damage"
    [damage] = record["damages"]
    assert (damage["segment"], damage["segments"], damage["distinguished"]) == (
        "RE-1>RE-2",
        ["RE-1>RE-2"],
        True,
    )
    assert (damage["clean_before"], damage["point"], damage["clean_after"]) == (
        "REC-A>RE-1",
        "RE-1>RE-2",
        None,
    )
    [octet] = damage["signs"][0]["octets"]
    assert octet["address"] == "#120.84.0.0"
    assert octet["old"] ^ octet["new"] == 1
    assert record["pairs"][0]["planes"]["vendor"]["differing_octets"] == 1
    assert [point["hyperframes"] for point in record["points"]] == [200, 200]


def test_a_segment_that_is_not_distinguishable_is_not_named() -> None:
    damaged = SENT.copy()
    damaged[60::12, 84, 0, 0] ^= 1
    record = locate_record(located_octets({"REC-A>RE-1": SENT, "RE-1>RE-2": damaged}))
    [damage] = record["damages"]
    assert damage["segment"] is None and damage["segments"] == ["RE-1>RE-2"]
    assert "again and again" in damage["reason"]


def test_points_that_do_not_overlap_say_so() -> None:
    record = locate_record(located_octets({"REC-A>RE-1": SENT[:70], "RE-1>RE-2": SENT[100:]}))
    assert record["verdict"] == "incomplete"
    assert "do not overlap" in record["pairs"][0]["apart"]
