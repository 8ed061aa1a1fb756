"""Copies and faxes beside a release: what the meter itself counts as another function's is nobody's surplus.

A total counts prints, copies and faxes alike (docs.cpp.canon M124813, prtMarkerGroup; Ricoh SP 310DN service manual).
Where the meter counts the functions apart, over the very same stretch, pages beyond what was released are theirs as far
as their own counts reach; so are pages of a gap.
"""

from __future__ import annotations

from dataclasses import replace

from pagereeve.domain.brackets.verdicts import tolerance
from pagereeve.domain.charging.postings import OTHER_FUNCTION_REASON, Posted
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import OTHER_FUNCTION, STRAY, SURPLUS, Posting, Verdict


def without_functions(posted: Posted) -> Posted:
    """A stretch of the total, with what other functions counted in it moved to their account."""
    posting, others = posted.posting, posted.others
    if posting is None or others <= 0:
        return posted
    account = SURPLUS if posted.stretch.releases else STRAY
    beyond = sum(pages for name, pages in posting.legs if name == account)
    moved_pages = min(beyond, others)
    if moved_pages <= 0:
        return posted
    moved = replace(posted, posting=_moved(posting, account, moved_pages))
    return _judged(moved, beyond - moved_pages)


def _moved(posting: Posting, account: str, pages: int) -> Posting:
    legs = dict(posting.legs)
    legs[account] -= pages
    legs[OTHER_FUNCTION] = legs.get(OTHER_FUNCTION, 0) + pages
    meter = posting.legs[0]
    rest = sorted((name, amount) for name, amount in legs.items() if amount and name != meter[0])
    return replace(posting, legs=(meter, *rest))


def _judged(posted: Posted, left: int) -> Posted:
    """What is left beyond the release decides whether it still is a surplus."""
    stretch = posted.stretch
    reasons = (*stretch.reasons, OTHER_FUNCTION_REASON)
    if stretch.verdict is not Verdict.SURPLUS:
        return replace(posted, stretch=replace(stretch, reasons=reasons))
    policy: Policy = posted.windows[0].release.policy
    most = 0 if stretch.expected is None or stretch.expected.most is None else stretch.expected.most
    verdict = Verdict.AGREES if left <= tolerance(most, policy) else Verdict.SURPLUS
    charges = tuple(
        replace(one, verdict=verdict, reasons=(*one.reasons, OTHER_FUNCTION_REASON)) for one in posted.charges
    )
    return replace(posted, stretch=replace(stretch, verdict=verdict, reasons=reasons), charges=charges)
