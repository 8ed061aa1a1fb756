"""Pages a day as a small picture: SVG for paper, without colour that matters, scripts or requests."""

from __future__ import annotations

from html import escape
from typing import Final

from pagereeve.domain.values.amounts import Figure, amount
from pagereeve.queries.statement_lines import DayChart

# In units of the view box, which the page scales to its width.
_WIDTH: Final = 680
_HEIGHT: Final = 96
_LEFT: Final = 44
_TOP: Final = 8
_LABELS_MAX: Final = 12
_GAP: Final = 0.25


def chart_svg(chart: DayChart, name: str, figure: Figure = str) -> str:
    """Charged pages are solid, unproven ones hatched above them. ``name``: unique on the page, letters and digits."""
    most = max((charged + unproven for _, charged, unproven in chart.spans), default=0) or 1
    wide = (_WIDTH - _LEFT) / max(1, len(chart.spans))
    base = _TOP + _HEIGHT
    bars = [
        bar
        for nth, (_, charged, unproven) in enumerate(chart.spans)
        for bar in _bars(_LEFT + wide * (nth + _GAP / 2), wide * (1 - _GAP), base, charged, unproven, most, name)
    ]
    every = -(-len(chart.spans) // _LABELS_MAX)
    labels = [
        f'<text x="{_LEFT + wide * (nth + 0.5):.1f}" y="{base + 13}" text-anchor="middle">{_label(day)}</text>'
        for nth, (day, _, _) in enumerate(chart.spans)
        if nth % every == 0
    ]
    said = escape(f"Pages a {chart.by}; at most {amount(most, 'page', figure=figure)}")
    return f"""<svg viewBox="0 0 {_WIDTH} {base + 18}" role="img" aria-label="{said}">
<title>{said}</title>
<defs><pattern id="{name}" width="4" height="4" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
<rect width="4" height="4" fill="#fff"/><rect width="1.4" height="4" fill="#222"/></pattern></defs>
<line x1="{_LEFT}" y1="{base}" x2="{_WIDTH}" y2="{base}" stroke="#222" stroke-width="0.8"/>
<line x1="{_LEFT}" y1="{_TOP}" x2="{_WIDTH}" y2="{_TOP}" stroke="#999" stroke-width="0.4" stroke-dasharray="2 3"/>
<text x="{_LEFT - 5}" y="{_TOP + 4}" text-anchor="end">{figure(most)}</text>
<text x="{_LEFT - 5}" y="{base + 3}" text-anchor="end">0</text>
{"".join(bars)}
{"".join(labels)}
</svg>"""


def _bars(left: float, wide: float, base: float, charged: int, unproven: int, most: int, name: str) -> list[str]:
    bars = []
    top = base
    for pages, fill in ((charged, "#333"), (unproven, f"url(#{name})")):
        high = _HEIGHT * pages / most
        top -= high
        if pages > 0:
            place = f'x="{left:.1f}" y="{top:.1f}" width="{wide:.1f}" height="{high:.1f}"'
            bars.append(f'<rect {place} fill="{fill}" stroke="#222" stroke-width="0.5"/>')
    return bars


def _label(day: str) -> str:
    """The day of the month, or the month of the year."""
    return escape(day[5:] if len(day) > len("2026-11") else day)
