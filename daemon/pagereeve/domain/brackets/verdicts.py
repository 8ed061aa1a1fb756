"""Counted against expected: one verdict for a bracket and channel (domain/README.md, step 5)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pagereeve.domain.brackets.expectation import START_UP, Expectation, total_of
from pagereeve.domain.brackets.inner_levels import BracketPart
from pagereeve.domain.brackets.tolerances import tolerated
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import Grade, Interval, Verdict
from pagereeve.domain.values.records import dataclass

NO_PAGES: Final = Interval(0, 0)
GIVEN_UP: Final = frozenset({"cancelled", "aborted"})


@dataclass(frozen=True, slots=True)
class Judgement:
    """``reasons`` say what widened the expectation, and that a verdict is about a bracket and not a person."""

    verdict: Verdict
    expected: Interval
    reasons: tuple[str, ...]


def judge(
    counted: int, expectations: Sequence[Expectation], policies: Sequence[Policy], start_up: Interval = NO_PAGES
) -> Judgement:
    """What the count says of the bracket's releases, each by its own policy. A ticket that says nothing proves nothing.

    ``start_up`` is what the printer may have added by itself.
    """
    counts = [one.count for one in expectations]
    expected = total_of([*counts, start_up]) if start_up.most else total_of(counts)
    reasons = list(dict.fromkeys([reason for one in expectations for reason in one.reasons]))
    if start_up.most:
        reasons.append(START_UP)
    if len(expectations) > 1:
        reasons.append("about-the-bracket")
    least = expected.least - tolerated([one.least for one in counts], policies)
    if counted < least:
        return Judgement(Verdict.SHORTFALL, expected, tuple(reasons))
    if expected.most is not None and counted > expected.most + tolerated(_mosts(expectations, start_up), policies):
        return Judgement(Verdict.SURPLUS, expected, tuple(reasons))
    if any("pages-unknown" in one.reasons and one.claim == Interval(0, None) for one in expectations):
        return Judgement(Verdict.UNPROVEN, expected, tuple(reasons))
    if not expected.holds(counted):
        reasons.append("within-tolerance")
    whole = [one.claim.least for one in expectations]
    if not GIVEN_UP.isdisjoint(reasons) and 0 < counted < sum(whole):
        reasons.append("partly-printed")
    return Judgement(Verdict.AGREES, expected, tuple(reasons))


def _mosts(expectations: Sequence[Expectation], start_up: Interval) -> list[int]:
    mosts = [one.count.most or 0 for one in expectations]
    mosts[0] += start_up.most or 0
    return mosts


def grade_of(part: BracketPart, verdict: Verdict, counted: int) -> Grade:
    """How good the evidence of a part of one run is, by its worst weakness."""
    first, last = part.windows[0].release, part.windows[0]
    if len(part.windows) > 1:
        first = min(part.windows, key=lambda one: one.release.order).release
        last = max(part.windows, key=lambda one: one.closes_us or part.closing.from_us)
    stale = first.start_us - part.opening.to_us > first.policy.fresh_us
    late = part.closing.from_us - (last.closes_us or part.closing.from_us) > last.release.policy.fresh_us
    # What people read is no better than they are: its instant and its figure are their word.
    if stale or late or first.policy.by_panel:
        return Grade.WIDE
    if len(part.windows) > 1:
        fits = verdict is Verdict.AGREES and total_of([one.count for one in part.expectations]).holds(counted)
        return Grade.MATCHED if fits else Grade.SHARED
    return Grade.INFERRED if part.inferred or last.by_count else Grade.TIGHT
