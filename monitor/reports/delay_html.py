"""A delay run as one page: charts as inline SVG, no script, nothing fetched from elsewhere."""

from __future__ import annotations

from collections.abc import Sequence

from jinja2 import Environment, select_autoescape

from decoders.link_delay.delay import ONE_WAY_LIMIT_NS

from ..delay.samples import DelayStatus
from ..text import inert

__all__ = ["delay_page"]

_WIDTH, _HEIGHT = 900, 160

_PAGE = """\
<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>Delay through resets: option {{ s.option }}</title>
<style>
body{font:15px/1.5 sans-serif;max-width:960px;margin:2em auto;padding:0 1em;color:#1c2530}
h1{font-size:1.4em} .pass{color:#17663a} .fail,.incomplete{color:#a02020} table{border-collapse:collapse}
td,th{padding:.15em .8em;text-align:right;font-variant-numeric:tabular-nums;border-bottom:1px solid #dde2e8}
svg{background:#f5f7fa;width:100%;height:auto} circle{fill:#2b5c8a} .limit{stroke:#a02020;stroke-dasharray:6 4}
.zero{stroke:#9aa5b1} text{font:12px sans-serif;fill:#4a5663} rect{fill:#2b5c8a}
</style></head><body>
<h1>Delay through {{ s.extent }} transceiver resets</h1>
<p>{{ s.description }}; line bit rate option {{ s.option }}. One parallel clock is one character,
{{ "%.3f"|format(s.clock_period_ns) }} ns.</p>
<p class="{{ s.verdict }}"><strong>{{ s.verdict }}</strong>:
{%- if not s.complete %} {{ s.extent }} resets;{% endif %} {{ s.words|join("; ") }}</p>
{% if mean %}<p>Round trip without Toffset: {{ mean }},
level of confidence {{ "%.2f"|format(100 * mean.level) }} %.</p>
{% endif %}
{% for title, points in charts %}
<h2>{{ title }}</h2>
<svg viewBox="0 0 {{ width }} {{ height }}" role="img" aria-label="{{ title }}">
<line class="zero" x1="0" x2="{{ width }}" y1="{{ height / 2 }}" y2="{{ height / 2 }}"/>
{% for y in limits %}<line class="limit" x1="0" x2="{{ width }}" y1="{{ y }}" y2="{{ y }}"/>{% endfor %}
{% for x, y in points %}<circle cx="{{ x }}" cy="{{ y }}" r="1.8"/>{% endfor %}
<text x="4" y="14">+{{ "%.2f"|format(edge) }} ns</text>
<text x="4" y="{{ height - 4 }}">-{{ "%.2f"|format(edge) }} ns</text></svg>
{% endfor %}
<p>Deviation from the first measurement, in order of the resets; broken lines: ±Tc/32 (R-19).</p>
{% for name, covered in coverage %}
<h2>Alignment offsets of {{ name }}</h2>
<table><tr><th>offset</th>{% for count in covered.counts %}<th>{{ loop.index0 }}</th>{% endfor %}</tr>
<tr><td>times</td>{% for count in covered.counts %}<td>{{ count }}</td>{% endfor %}</tr></table>
<p>Never occurred: {{ covered.never_seen|join(", ") or "none" }}. All occur with 99 % probability after
{{ covered.resets_for_99_percent }} resets.</p>
{% endfor %}
<h2>Measurements</h2>
<table>
<tr><th>reset</th><th>offset</th><th>remote offset</th>
<th>raw clocks</th><th>compensated ns</th><th>marker bits</th></tr>
{% for m in s.samples %}<tr><td>{{ loop.index }}</td><td>{{ m.alignment_offset }}</td>
<td>{{ "-" if m.far_alignment_offset is none else m.far_alignment_offset }}</td>
<td>{{ "%.2f"|format(m.raw_clocks) }}</td><td>{{ "%.3f"|format(m.compensated_ns) }}</td>
<td>{{ m.line.round_trip_bits if m.line else "-" }}</td></tr>
{% endfor %}</table>
</body></html>
"""


def _points(values: Sequence[float], edge: float) -> list[tuple[float, float]]:
    step = _WIDTH / len(values)
    return [
        (round((i + 0.5) * step, 2), round(_HEIGHT / 2 * (1 - v / edge * 0.92), 2))
        for i, v in enumerate(values)
    ]


def delay_page(status: DelayStatus) -> str:
    """The page as text; everything from a board is escaped."""
    samples = status.samples
    raw = [s.raw_ns - samples[0].raw_ns for s in samples]
    delay = [s.compensated_ns - samples[0].compensated_ns for s in samples]
    edge = max(ONE_WAY_LIMIT_NS * 1.1, *(abs(v) for v in (*raw, *delay)))
    charts = [("Raw clock count", _points(raw, edge)), ("Compensated delay", _points(delay, edge))]
    limits = [round(_HEIGHT / 2 * (1 + sign * ONE_WAY_LIMIT_NS / edge * 0.92), 2) for sign in (-1, 1)]
    environment = Environment(
        autoescape=select_autoescape(default=True, default_for_string=True),
        finalize=lambda value: inert(value) if type(value) is str else value,
    )
    page = environment.from_string(_PAGE)
    return page.render(
        s=status,
        mean=None if status.mean is None else status.mean.expanded(),
        charts=charts,
        coverage=list(zip(status.names, status.coverage, strict=True)),
        limits=limits,
        edge=edge,
        width=_WIDTH,
        height=_HEIGHT,
    )
