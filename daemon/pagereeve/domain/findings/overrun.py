"""While it prints: the meter has passed what was released, and nobody needs to wait for the end to know it."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

from pagereeve.domain.brackets.expectation import total_of
from pagereeve.domain.brackets.partition import Partition
from pagereeve.domain.brackets.runs import Run
from pagereeve.domain.brackets.verdicts import tolerance
from pagereeve.domain.brackets.windows import expected_of
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Finding


def overrun(printer: str, part: Partition, runs: Sequence[Run]) -> Finding | None:
    """The surplus of a bracket that is still open: under the id that it keeps when the bracket closes with it."""
    opening, windows = part.last, part.waiting
    if opening is None or opening.run is not runs[-1] or all(one.closes_us is not None for one in windows):
        return None
    unit = opening.count.unit
    expected = total_of([expected_of(part.channel, unit, one.release).count for one in windows])
    if expected.most is None:
        return None
    limit = expected.most + tolerance(expected.most, windows[0].release.policy)
    samples = opening.run.samples
    first = bisect_left(samples, opening.from_us, key=lambda one: one.plateau.first_received_us)
    for sample in samples[first:]:
        total = sample.total(part.channel)
        if total is not None and total - opening.total > limit:
            counted, at_us = total - opening.total, sample.plateau.first_received_us
            break
    else:
        return None
    releases = sorted((one.release for one in windows), key=lambda one: one.order)
    what = shown.count_passed(counted, unit, expected, len(releases))
    passed = shown.counted_so_far(part.channel, opening.count.value, opening.to_us, counted, at_us)
    evidence = [passed, *(shown.release(one.key) for one in releases)]
    anchor = find.bracket_anchor(part.channel, releases)
    pages = counted - expected.most
    return find.make("surplus", printer, anchor, releases[0].start_us, what, evidence, pages=pages)
