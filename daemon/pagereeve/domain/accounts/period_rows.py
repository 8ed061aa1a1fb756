"""One printer's rows of a period, as a close would freeze them, from segments in memory."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from pagereeve.domain.accounts.decisions import DecisionPosting
from pagereeve.domain.accounts.frozen import FrozenCharge, FrozenDecision, FrozenLine, FrozenRow
from pagereeve.domain.accounts.period_sums import sums_of
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.printer_accounts import accounts_of
from pagereeve.domain.ledger import RowSegment


def rows_in(
    period: Period, segments: Sequence[RowSegment], decided: Iterable[DecisionPosting] = ()
) -> Iterator[FrozenRow]:
    """Those that put pages into accounts; ``segments`` hold all that belong to the period, and may hold more. The day
    and the cost centre are left out.
    """
    for line in accounts_of(period, sums_of(segments, period.from_us, period.to_us)).lines:
        yield FrozenLine(line)
    for posting in decided:
        if period.holds(posting.at_us):
            yield FrozenDecision(posting, "")
    for charge in (one for segment in segments for one in segment.charges):
        if period.holds(charge.started_us):
            yield FrozenCharge(charge, "", "")
