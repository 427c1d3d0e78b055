"""Names, labels and values: read back by two programs of others, prometheus_client's parser and promtool."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from decoders.counters import COUNTERS
from monitor.links.named_link import NamedLink
from monitor.links.pipeline import Pipeline
from monitor.metrics.endpoint import MetricsEndpoint
from monitor.metrics.exposition import LinkTotals, MetricFamily, metric_families
from monitor.sources.source import BoardReport, Standstill
from tests.support.screen_fakes import FakeFaultySource

HOSTILE = 'RE "1"\n# HELP x\\\x1b[31m\u202e}'


@pytest.fixture(scope="module")
def link() -> NamedLink:
    """A link with good frames, one wrong FCS, and a board."""
    pipeline = Pipeline(FakeFaultySource())
    pipeline.step()
    pipeline.inject("ethernet.fcs")
    for _ in range(5):
        pipeline.step()
    board = BoardReport("RE-1", resets=3, data_lost=0, commands_bad=0, delay_ns=812.5, records_lost=6)
    return NamedLink("RE-1", replace(pipeline.snapshot(), board=board), "REC-A>RE-1")


def text_of(*links: NamedLink, openmetrics: bool = True) -> str:
    endpoint = MetricsEndpoint(("127.0.0.1", 0), lambda: links)
    try:
        status, _, body = endpoint._answer(
            "/metrics", "application/openmetrics-text; version=1.0.0" if openmetrics else ""
        )
    finally:
        endpoint.close()
    assert status == 200
    return body.decode()


def values(*links: NamedLink) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    families = text_string_to_metric_families(text_of(*links))
    return {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in families
        for sample in family.samples
    }


def value(link: NamedLink, name: str, **labels: str) -> float:
    own = {"board": link.name, "segment": link.segment, "option": link.snapshot.option} | labels
    return values(link)[name, frozenset(own.items())]


def test_every_counter_has_its_own_name_and_value(link: NamedLink) -> None:
    counted = link.snapshot.counters
    assert counted["ethernet_fcs_errors"] == 1 and counted["hdlc_frames"] > 1
    found = {name: v for (name, _), v in values(link).items()}
    assert {name: found[f"framefray_{name}_total"] for name in COUNTERS} == dict(counted)


def test_states_alarms_delay_and_line(link: NamedLink) -> None:
    assert value(link, "framefray_sync_state", state="HFNSYNC") == 1
    assert value(link, "framefray_sync_state", state="XACQ1") == 0
    assert value(link, "framefray_alarm", alarm="rai", end="remote") == 0
    assert value(link, "framefray_delay_seconds") == pytest.approx(812.5e-9)
    assert value(link, "framefray_records_lost_total") == 6
    assert value(link, "framefray_board_resets_total") == 3
    assert value(link, "framefray_line_up") == 1
    assert value(link, "framefray_hyperframes_decoded_total") == 120


def test_no_state_holds_while_no_line_data_come(link: NamedLink) -> None:
    """A rule that waits for HFNSYNC to be 0 must fire when the line is pulled, though the last state was HFNSYNC."""
    down = replace(link, snapshot=replace(link.snapshot, standstill=Standstill(4.5, True)))
    assert value(down, "framefray_sync_state", state="HFNSYNC") == 0
    assert value(down, "framefray_link_state", state="down") == 1
    assert value(down, "framefray_line_up") == 0
    assert value(down, "framefray_silence_seconds") == 4.5
    assert not any(name in ("framefray_alarm", "framefray_delay_seconds") for name, _ in values(down))
    assert value(down, "framefray_ethernet_fcs_errors_total", plane="ethernet") == 1


def test_what_is_not_known_has_no_sample() -> None:
    fresh = NamedLink("RE-2", Pipeline(FakeFaultySource()).snapshot())
    names = {name for name, _ in values(fresh)}
    assert "framefray_pointer_p" not in names and "framefray_records_lost_total" not in names
    assert not any(("end", "remote") in labels for _, labels in values(fresh))


def test_totals_of_a_link_go_on_where_its_decoder_begins_anew(link: NamedLink) -> None:
    totals = LinkTotals()
    before = totals.receive(link)
    fresh = Pipeline(FakeFaultySource()).snapshot()
    anew = replace(link, snapshot=replace(fresh, board=BoardReport("RE-1", resets=0, records_lost=6)))
    after = totals.receive(anew)
    assert all(after[name] >= before[name] for name in after)
    assert after["ethernet_fcs_errors"] == 1 and after["board_resets"] == 3 and after["records_lost"] == 6
    assert totals.receive(link)["hyperframes_decoded"] == 240


def test_hostile_names_stay_in_their_label(link: NamedLink) -> None:
    text = text_of(replace(link, name=HOSTILE), link)
    assert "\x1b" not in text and "\u202e" not in text
    assert len(values(replace(link, name=HOSTILE), link)) == 2 * len(values(link))
    assert max(map(len, text.splitlines())) < 1000


def test_families_of_several_links_are_told_once(link: NamedLink) -> None:
    families = metric_families([link, replace(link, name="RE-2")], LinkTotals())
    assert len({family.name for family in families}) == len(families)
    assert all(isinstance(family, MetricFamily) and family.samples for family in families)


@pytest.mark.skipif(shutil.which("promtool") is None, reason="promtool is not installed")
def test_promtool_finds_nothing_to_object_to(link: NamedLink) -> None:
    """`promtool check metrics` holds names, units and types to the conventions of Prometheus."""
    checked = subprocess.run(
        ["promtool", "check", "metrics"],
        input=text_of(link, openmetrics=False),
        capture_output=True,
        text=True,
        check=False,
    )
    assert (checked.returncode, checked.stdout, checked.stderr) == (0, "", "")
