"""While it prints: the meter has passed what was released, and nobody needs to wait for the end to know it."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

from pagereeve.domain.brackets.begun_anew import begun_anew
from pagereeve.domain.brackets.expectation import Expectation
from pagereeve.domain.brackets.functions import apart_in, without_functions
from pagereeve.domain.brackets.inner_levels import BracketPart, inner_levels
from pagereeve.domain.brackets.noted import noted_in
from pagereeve.domain.brackets.partition import Between, Cut, Partition
from pagereeve.domain.brackets.runs import Run, Sample
from pagereeve.domain.brackets.tolerances import tolerated
from pagereeve.domain.brackets.windows import Window, expected_of
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Finding


def overrun(printer: str, part: Partition, runs: Sequence[Run], rules: Rules) -> Finding | None:
    """The surplus of a bracket that is still open: under the id that it keeps when the bracket closes with it."""
    opening, windows = part.last, part.waiting
    if opening is None or opening.run is not runs[-1] or all(one.closes_us is not None for one in windows):
        return None
    samples = _since(part.channel, opening)
    if not any((sample.total(part.channel) or 0) > opening.total for sample in samples):
        # Nothing moved, as at a printer that is silent: what thousands of waiting releases expect is not added up.
        return None
    expectations = [expected_of(part.channel, opening.count.unit, one.release) for one in windows]
    so_far = _so_far(part.channel, opening, samples, windows, expectations)
    expected = so_far.expected
    if expected.most is None or (so_far.apart is None and so_far.counted <= expected.most):
        return None
    policies = [one.release.policy for one in windows]
    limit = expected.most + tolerated([one.count.most or 0 for one in expectations], policies)
    limit += noted_in(part.channel, so_far, rules).pages
    passing = next(((pages, at_us) for pages, at_us in _counts(part.channel, so_far, samples) if pages > limit), None)
    if passing is None or _is_anothers(part.channel, so_far):
        return None
    counted, at_us = passing
    releases = sorted((one.release for one in windows), key=lambda one: one.order)
    what = shown.count_passed(counted, opening.count.unit, expected, len(releases))
    passed = shown.counted_so_far(part.channel, opening.count.value, opening.to_us, counted, at_us)
    evidence = [passed, *(shown.release(one.key) for one in releases)]
    anchor = find.bracket_anchor(part.channel, releases)
    pages = counted - expected.most
    return find.make("surplus", printer, anchor, releases[0].start_us, what, evidence, pages=pages)


def _since(channel: str, opening: Cut) -> list[Sample]:
    """What was read since the last cut."""
    samples = opening.run.samples
    first = bisect_left(samples, opening.from_us, key=lambda one: one.plateau.first_received_us)
    return [sample for sample in samples[first:] if sample.total(channel) is not None]


def _so_far(
    channel: str,
    opening: Cut,
    samples: Sequence[Sample],
    windows: tuple[Window, ...],
    expectations: Sequence[Expectation],
) -> BracketPart:
    """The open bracket up to its latest reading."""
    latest = samples[-1]
    at_us, count = latest.plateau.first_received_us, latest.plateau.sight.count(channel)
    closing = Cut(opening.run, count or opening.count, latest.total(channel) or 0, at_us, at_us)
    between = Between(opening, closing, windows)
    apart = apart_in(channel, between)
    between = without_functions(between, apart)
    return BracketPart(between.opening, between.closing, windows, tuple(expectations), apart=apart)


def _counts(channel: str, so_far: BracketPart, samples: Sequence[Sample]) -> list[tuple[int, int]]:
    """Pages since the opening, without those of other functions, and when they were seen."""
    counts: list[tuple[int, int]] = []
    for sample in samples:
        others = 0 if so_far.apart is None else so_far.apart.at(sample)
        if others is not None:
            pages = (sample.total(channel) or 0) - others - so_far.opening.net
            counts.append((pages, sample.plateau.first_received_us))
    return counts


def _is_anothers(channel: str, so_far: BracketPart) -> bool:
    """What is too much was begun anew, after these releases were done."""
    ends_us = [window.release.end_us or 0 for window in so_far.windows]
    return begun_anew(so_far, inner_levels(channel, so_far, so_far.apart), max(ends_us), so_far.closing) is not None
