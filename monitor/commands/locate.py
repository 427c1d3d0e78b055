"""`framefray locate`: at which segment of a chain damage enters, from several points of it."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from itertools import pairwise

from ..errors import InputError
from ..links.damage import LocateVerdict, Point
from ..opening import SourceRequest, link_settings, open_chain, open_source
from ..process.interrupts import Interrupts
from ..process.streams import print_json, print_lines, tell
from ..reports.locate_records import locate_record
from ..reports.locate_text import locate_lines
from ..site.locating import LocateOutcome, PointSource, locate_sources
from ..site.plan import SitePlan, is_site_file, read_site_plan
from ..site.routes import check_points, parse_points
from ..sources.names import CHAIN, Segment, SourceKind, chain_point, is_chain, source_kind
from ..sources.news import News

_FAULTS_ELSEWHERE = "--fault is for emulated:chain"
LIVE_HYPERFRAMES = 1500
"""A live source is read for so many hyperframes, 0.1 s of the link, unless told."""


def run(arguments: argparse.Namespace) -> int:
    with ExitStack() as opened, Interrupts() as interrupts:
        points, segments = _open(arguments, opened)
        news = [(each.point.name, News(each.source)) for each in points]
        located = locate_sources(points, segments, interrupts=interrupts, heard=lambda: _tell(news))
        opened.pop_all()  # locate_sources has closed them
        with interrupts.held():
            _tell(news)
            if arguments.json:
                print_json(locate_record(located.result))
            else:
                print_lines(locate_lines(located.result))
    return _status(located)


def _status(located: LocateOutcome) -> int:
    for trouble in located.troubles:
        tell(str(trouble))
    if not located.whole:
        tell("interrupted; the result covers what was read")
        return 130
    if located.troubles:
        return 2
    silent = [here.point.name for here in located.result.points if not here.hyperframes]
    if silent:
        tell(f"no hyperframe sync found: {', '.join(silent)}; check --form and --option")
        return 2
    return 0 if located.result.verdict is LocateVerdict.CLEAN else 1


def _tell(news: Sequence[tuple[str, News]]) -> None:
    for name, each in news:
        for line in each.lines():
            if not line.event:
                tell(line.text, f"board {name}")
        for warning in each.warnings():
            tell(f"{name}: {warning}")


def _open(arguments: argparse.Namespace, opened: ExitStack) -> tuple[list[PointSource], Sequence[Segment]]:
    words: list[str] = arguments.sources
    request = SourceRequest.of(arguments, source="")
    if words == [CHAIN]:
        return _open_chain(request, arguments.fault, opened), ()
    files = [word for word in words if is_site_file(word)]
    if files and len(words) > 1:
        raise InputError(f"{files[0]}: a site file stands alone", hint="write the other sources into it")
    chain = tuple(arguments.chain.split(",")) if arguments.chain else ()
    if files:
        if chain:
            raise InputError("--chain is for NAME=SOURCE; a site file has its [[segments]]")
        return _open_plan(read_site_plan(files[0]), request, arguments.fault, opened)
    if arguments.fault:
        raise InputError(_FAULTS_ELSEWHERE, hint="framefray inject is for boards")
    named = parse_points(words, chain)
    check_points([point for point, _ in named])
    segments = [Segment(a, b) for a, b in pairwise(chain)]
    return [_open_point(point, replace(request, source=source), opened) for point, source in named], segments


def _open_plan(
    plan: SitePlan, request: SourceRequest, faults: Sequence[str], opened: ExitStack
) -> tuple[list[PointSource], Sequence[Segment]]:
    points = []
    for each in plan.points:
        if each.segment is None:
            raise InputError(
                f"{each.board}: no segment leads to it", hint="add [[segments]] to the site file"
            )
        own = replace(
            request,
            source=each.source,
            form=request.form or each.form,
            option=request.option or each.option,
            baud=each.baud or request.baud,
        )
        points.append((Point(each.segment), own))
    check_points([point for point, _ in points])
    segments = [segment.downlink for segment in plan.segments]
    if all(is_chain(own.source) for _, own in points):
        return _open_chain(request, faults, opened, points), segments
    if faults:
        raise InputError(_FAULTS_ELSEWHERE, hint="framefray inject is for boards")
    return [_open_point(point, own, opened) for point, own in points], segments


def _open_point(point: Point, request: SourceRequest, opened: ExitStack) -> PointSource:
    live = source_kind(request.source) is not SourceKind.CAPTURE
    limit = (request.hyperframes or LIVE_HYPERFRAMES) if live else None
    request = replace(request, hyperframes=limit)
    source = open_source(request)
    opened.callback(source.close)
    return PointSource(point, source, link_settings(request, source), live)


def _open_chain(
    request: SourceRequest,
    faults: Sequence[str],
    opened: ExitStack,
    planned: Sequence[tuple[Point, SourceRequest]] = (),
) -> list[PointSource]:
    """Points of one emulated chain: all of them, or those planned, by their sources."""
    from ..emulation.chain_source import chain_sources

    request = replace(request, source=CHAIN)
    chain = open_chain(request)
    pairs = [(Point(segment), segment) for segment in chain.points]
    if planned:
        asked = [(point, chain_point(own.source)) for point, own in planned]
        pairs = [
            (point, chain.points[-1] if at is None else chain.point_named(at.name)) for point, at in asked
        ]
    limit = request.hyperframes or LIVE_HYPERFRAMES
    sources = chain_sources(chain, [at for _, at in pairs], hyperframes_per_second=None, limit=limit)
    points = []
    for point, at in pairs:
        source = sources[at]
        opened.callback(source.close)
        points.append(PointSource(point, source, link_settings(request, source)))
    for fault in faults:
        chain.inject(fault)
    return points
