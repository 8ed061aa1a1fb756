"""Pages that were begun anew after a bracket's releases were done: somebody's who used the machine by hand.

The printer stood idle behind the end notices of all of them, with what was asked for to the page, for longer than the
pause between two sheets; and then came more. Where the tickets don't say their copies themselves, the more may be
theirs, and nothing is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from pagereeve.domain.brackets.inner_levels import BracketPart, InnerLevel
from pagereeve.domain.brackets.partition import Cut
from pagereeve.domain.brackets.rests import PROOF_REST_US
from pagereeve.domain.brackets.tolerances import tolerated
from pagereeve.domain.brackets.windows import Release


def may_be_more(part: BracketPart, counted: int) -> bool:
    """So many pages are too many for these releases, all of which surely print, and have ended."""
    most = part.expected.most
    if most is None or counted <= most or not all(_is_sure(window.release) for window in part.windows):
        return False
    policies = [window.release.policy for window in part.windows]
    amounts = [one.count.most or 0 for one in part.expectations]
    return all(one.count.least >= 1 for one in part.expectations) and counted > most + tolerated(amounts, policies)


def _is_sure(release: Release) -> bool:
    return release.ended is not None and release.started.ticket.copies is not None


def begun_anew(part: BracketPart, levels: Sequence[InnerLevel], done_us: int, until: Cut) -> Cut | None:
    """The last level before ``until`` at which the part's releases had what was asked for, and the printer stood idle
    behind ``done_us``, the last of their ends; None where there is none.
    """
    if not may_be_more(part, until.net - part.opening.net):
        return None
    froms_us = [*(inner.level.from_us for inner in levels), until.from_us]
    reached = None
    for inner, (_, next_us) in zip(levels, pairwise(froms_us), strict=True):
        if inner.level.from_us >= until.from_us or inner.level.from_us < part.opening.from_us:
            continue
        if inner.readings > 1 and part.expected.holds(inner.level.net - part.opening.net):
            idle_us = [next_us - max(since_us, done_us) for since_us, until_us in inner.idle if until_us >= done_us]
            reached = inner.level if max(idle_us, default=0) >= PROOF_REST_US else reached
    return reached
