"""While it prints: the meter has passed what was released, and nobody needs to wait for the end to know it."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

from pagereeve.domain.brackets.expectation import total_of
from pagereeve.domain.brackets.partition import Partition
from pagereeve.domain.brackets.runs import Run
from pagereeve.domain.brackets.verdicts import tolerated
from pagereeve.domain.brackets.windows import expected_of
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Finding


def overrun(printer: str, part: Partition, runs: Sequence[Run]) -> Finding | None:
    """The surplus of a bracket that is still open: under the id that it keeps when the bracket closes with it."""
    opening, windows = part.last, part.waiting
    if opening is None or opening.run is not runs[-1] or all(one.closes_us is not None for one in windows):
        return None
    samples = opening.run.samples
    first = bisect_left(samples, opening.from_us, key=lambda one: one.plateau.first_received_us)
    totals = [(one.total(part.channel), one.plateau.first_received_us) for one in samples[first:]]
    counts = [(total - opening.total, at_us) for total, at_us in totals if total is not None]
    if not any(counted > 0 for counted, _ in counts):
        # Nothing moved, as at a printer that is silent: what thousands of waiting releases expect is not added up.
        return None
    unit = opening.count.unit
    counts_expected = [expected_of(part.channel, unit, one.release).count for one in windows]
    expected = total_of(counts_expected)
    if expected.most is None:
        return None
    policies = [one.release.policy for one in windows]
    limit = expected.most + tolerated([one.most or 0 for one in counts_expected], policies)
    passing = next(((counted, at_us) for counted, at_us in counts if counted > limit), None)
    if passing is None:
        return None
    counted, at_us = passing
    releases = sorted((one.release for one in windows), key=lambda one: one.order)
    what = shown.count_passed(counted, unit, expected, len(releases))
    passed = shown.counted_so_far(part.channel, opening.count.value, opening.to_us, counted, at_us)
    evidence = [passed, *(shown.release(one.key) for one in releases)]
    anchor = find.bracket_anchor(part.channel, releases)
    pages = counted - expected.most
    return find.make("surplus", printer, anchor, releases[0].start_us, what, evidence, pages=pages)
