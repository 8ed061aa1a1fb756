"""Pages that counted as colour, where each ticket of their bracket says monochrome: a question, which accuses nobody.

A driver that sends black as a mixture of colours, a coloured separator sheet or a logo may do it. It is asked only
where nothing else explains the pages: no ticket that doesn't say monochrome, no maintenance, and no page of the total
beyond what was released meanwhile, as a copy in colour is.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from typing import Final

from pagereeve.domain.charging.postings import Posted
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import MAINTENANCE, OTHER_FUNCTION, Finding, Verdict

COLOUR: Final = "colour"
TOTAL: Final = "total"

Dated = tuple[int, Posted]


def colour_under_mono(printer: str, posted: Sequence[Dated]) -> Iterator[tuple[int, Finding]]:
    """Each finding with the instant at which its bracket was settled. ``posted`` are rows in order, channel by
    channel.
    """
    asked = [(at_us, one) for at_us, one in posted if one.stretch.channel == COLOUR and _is_asked(one)]
    totals = [one for _, one in posted if one.stretch.channel == TOTAL] if asked else []
    for at_us, one in asked:
        beside = list(_beside(one, totals))
        if not {*one.stretch.releases} <= {key for other in beside for key in other.stretch.releases}:
            # The total has not closed its bracket, or was not read: nobody knows what else came.
            continue
        pages = _beyond(one) - sum(map(_nobodys, beside))
        if pages > max(window.release.policy.tolerance_pages for window in one.windows):
            yield at_us, _finding(printer, one, pages)


def _is_asked(posted: Posted) -> bool:
    tickets = (window.release.ticket for window in posted.windows)
    return posted.stretch.verdict is Verdict.SURPLUS and all(one.color_mode == "monochrome" for one in tickets)


def _beside(posted: Posted, totals: Sequence[Posted]) -> Iterator[Posted]:
    """The total's stretches of the same time."""
    stretch = posted.stretch
    for other in totals[bisect_right(totals, stretch.opens_us, key=lambda one: one.stretch.closes_us) :]:
        if other.stretch.opens_us >= stretch.closes_us:
            return
        yield other


def _nobodys(posted: Posted) -> int:
    """Pages of the total that no release asked for."""
    if not posted.windows:
        return posted.stretch.counted
    legs = () if posted.posting is None else posted.posting.legs
    return _beyond(posted) + sum(pages for name, pages in legs if name in {MAINTENANCE, OTHER_FUNCTION})


def _beyond(posted: Posted) -> int:
    expected = posted.stretch.expected
    return 0 if expected is None else max(0, find.beyond(posted.stretch.counted, expected))


def _finding(printer: str, posted: Posted, pages: int) -> Finding:
    stretch, releases = posted.stretch, [window.release for window in posted.windows]
    evidence = [shown.cuts(stretch), *map(shown.release, stretch.releases)]
    what = shown.colour_under_mono(pages, stretch.unit, len(releases))
    anchor, since_us = find.bracket_anchor(COLOUR, releases), min(one.start_us for one in releases)
    return find.make("colour-under-mono", printer, anchor, since_us, what, evidence, pages=pages)
