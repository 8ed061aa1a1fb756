"""From one closed stretch to its rows: stretch, posting, charges (domain/README.md, steps 5 to 7)."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from pagereeve.domain.brackets.allocation import SHARES, share_out
from pagereeve.domain.brackets.expectation import NOBODYS_CHANNELS, START_UP, Expectation
from pagereeve.domain.brackets.hypotheses import HINT_PREFIX, Compared, hints
from pagereeve.domain.brackets.inner_cuts import BracketPart, movements_in, split_shared
from pagereeve.domain.brackets.partition import Between, Broken, Portion
from pagereeve.domain.brackets.runs import Sample
from pagereeve.domain.brackets.verdicts import Judgement, grade_of, judge
from pagereeve.domain.brackets.windows import Window, expected_of
from pagereeve.domain.charging.charges import Owed, balanced, charge_of, legs_for, owed_for, owed_unproven
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import (
    MAINTENANCE,
    OTHER_FUNCTION,
    STRAY,
    UNPROVEN,
    Charge,
    Grade,
    Interval,
    Posting,
    ReleaseKey,
    Stretch,
    Verdict,
)

# Pages that a printer may make of its own when it comes back, where nothing is known of it.
START_UP_PAGES_MAX: Final = 1
MAINTENANCE_DECIDED: Final = "maintenance-decided"
MAINTAINED: Final = frozenset({"maintenance", MAINTENANCE_DECIDED})


@dataclass(frozen=True, slots=True)
class Posted:
    """The rows of one stretch. ``windows`` are the releases in it."""

    stretch: Stretch
    posting: Posting | None
    charges: tuple[Charge, ...]
    windows: tuple[Window, ...]


def postings_between(printer: str, channel: str, between: Between, rules: Rules) -> list[Posted]:
    """A gap, or a bracket with its soft cuts."""
    if not between.windows:
        return [_gap(printer, channel, between, rules)]
    unit = between.closing.count.unit
    expectations = expectations_of(channel, unit, between.windows)
    return [_bracket(printer, channel, part) for part in split_shared(channel, between, expectations)]


def expectations_of(channel: str, unit: Unit, windows: Sequence[Window]) -> list[Expectation]:
    return [expected_of(channel, unit, one.release) for one in windows]


def _gap(printer: str, channel: str, between: Between, rules: Rules) -> Posted:
    stretch = Stretch(
        printer=printer,
        run=between.closing.run.number,
        channel=channel,
        unit=between.closing.count.unit,
        opens_us=between.opening.to_us,
        closes_us=between.closing.from_us,
        before=between.opening.count.value,
        after=between.closing.count.value,
        counted=between.counted,
    )
    stretch = replace(stretch, reasons=_gap_reasons(between, stretch, rules))
    account = OTHER_FUNCTION if channel in NOBODYS_CHANNELS else STRAY
    if not MAINTAINED.isdisjoint(stretch.reasons):
        account = MAINTENANCE
    return Posted(stretch, _posting(stretch, balanced(printer, {account: between.counted})), (), ())


def _gap_reasons(between: Between, stretch: Stretch, rules: Rules) -> tuple[str, ...]:
    if rules.maintained(stretch.opens_us, stretch.closes_us):
        return ("maintenance",)
    decided = find.finding_id("stray-pages", stretch.printer, find.gap_anchor(stretch)) if rules.decisions else ""
    if decided and rules.reason_for(decided) == "maintenance":
        return (MAINTENANCE_DECIDED,)
    pages = rules.policy_at(stretch.opens_us).start_up_pages
    restarts = sum(sample.restarted for sample in _samples_in(between))
    most = START_UP_PAGES_MAX if pages is None else pages
    return (START_UP,) if restarts and stretch.counted <= restarts * most else ()


def _samples_in(between: Between) -> list[Sample]:
    """Readings that began behind the opening cut, the closing cut's own first one among them."""
    samples = between.opening.run.samples
    first = bisect_right(samples, between.opening.to_us, key=_begins_us)
    return samples[first : bisect_right(samples, between.closing.from_us, key=_begins_us)]


def _begins_us(sample: Sample) -> int:
    return sample.plateau.first_received_us


def _bracket(printer: str, channel: str, part: BracketPart) -> Posted:
    policy = part.windows[0].release.policy
    judgement = judge(part.counted, part.expectations, policy)
    if judgement.verdict in {Verdict.SURPLUS, Verdict.SHORTFALL}:
        judgement = _with_what_happened(channel, part, judgement)
    stretch = Stretch(
        printer=printer,
        run=part.closing.run.number,
        channel=channel,
        unit=part.closing.count.unit,
        opens_us=part.opening.to_us,
        closes_us=part.closing.from_us,
        before=part.opening.count.value,
        after=part.closing.count.value,
        counted=part.counted,
        releases=_keys(part.windows),
        grade=grade_of(part, policy),
        verdict=judgement.verdict,
        expected=judgement.expected,
        reasons=(*judgement.reasons, *_window_reasons(part.windows)),
    )
    movements = movements_in(channel, part) if len(part.windows) > 1 else []
    shares, how = share_out(part.counted, [one.count for one in part.expectations], movements)
    if len(part.windows) > 1:
        stretch = replace(stretch, reasons=(*stretch.reasons, how))
    owed = [
        owed_for(share, expectation, channel, window.release.policy)
        for share, expectation, window in zip(shares, part.expectations, part.windows, strict=True)
    ]
    charges = tuple(
        _charge(stretch, window, expectation, one, share)
        for window, expectation, one, share in zip(part.windows, part.expectations, owed, shares, strict=True)
    )
    owners = [window.release.started.owner for window in part.windows]
    legs = legs_for(printer, channel, part.counted, list(zip(owners, owed, strict=True)))
    return Posted(stretch, _posting(stretch, legs), charges, part.windows)


def _with_what_happened(channel: str, part: BracketPart, judgement: Judgement) -> Judgement:
    """A count that is not what was expected, looked at once more: a start-up page, then the known patterns."""
    policy = part.windows[0].release.policy
    samples = _samples_in(Between(part.opening, part.closing, part.windows))
    restarts = sum(sample.restarted for sample in samples)
    pages = START_UP_PAGES_MAX if policy.start_up_pages is None else policy.start_up_pages
    if restarts and pages:
        judgement = judge(part.counted, part.expectations, policy, Interval(0, restarts * pages))
    if judgement.verdict not in {Verdict.SURPLUS, Verdict.SHORTFALL}:
        return judgement
    one = Compared(
        channel,
        part.closing.count.unit,
        tuple(window.release for window in part.windows),
        part.counted,
        judgement.expected,
        jammed=any("jammed" in sample.plateau.sight.errors for sample in samples),
    )
    return replace(judgement, reasons=(*judgement.reasons, *hints(one)))


def postings_broken(printer: str, channel: str, broken: Broken) -> list[Posted]:
    """A stretch in which a run ended: what each run surely counted goes to house accounts, claims stay unproven."""
    grade = Grade.BLIND if broken.opening is None else Grade.BROKEN
    unit = broken.closing.count.unit
    expectations = expectations_of(channel, unit, broken.windows)
    posted: list[Posted] = []
    for portion in broken.portions:
        stretch = _broken_stretch(printer, channel, broken, portion, grade)
        posting = _posting(stretch, balanced(printer, {UNPROVEN: portion.counted}))
        posted.append(Posted(stretch, posting, (), broken.windows))
    charges = tuple(
        _charge(
            posted[-1].stretch,
            window,
            expectation,
            owed_unproven(expectation, channel, window.release),
            None,
        )
        for window, expectation in zip(broken.windows, expectations, strict=True)
    )
    posted[-1] = Posted(posted[-1].stretch, posted[-1].posting, charges, broken.windows)
    return posted


def _broken_stretch(printer: str, channel: str, broken: Broken, portion: Portion, grade: Grade) -> Stretch:
    return Stretch(
        printer=printer,
        run=portion.run.number,
        channel=channel,
        unit=portion.last.count.unit,
        opens_us=portion.first.to_us,
        closes_us=max(portion.first.to_us, portion.last.from_us),
        before=portion.first.count.value,
        after=portion.last.count.value,
        counted=portion.counted,
        releases=_keys(broken.windows),
        grade=grade,
        verdict=Verdict.UNPROVEN,
        reasons=("run-ended" if grade is Grade.BROKEN else "no-reading-before", *_window_reasons(broken.windows)),
    )


def _keys(windows: Sequence[Window]) -> tuple[ReleaseKey, ...]:
    return tuple(window.release.key for window in windows)


def _window_reasons(windows: Sequence[Window]) -> tuple[str, ...]:
    reasons = [f"window-{window.closing}" for window in windows if window.closing not in {None, "rested"}]
    reasons += ["stalled" for window in windows if window.stalled]
    reasons += ["no-end-notice" for window in windows if window.release.ended is None]
    return tuple(dict.fromkeys(reasons))


def _charge(stretch: Stretch, window: Window, expectation: Expectation, owed: Owed, share: int | None) -> Charge:
    reasons = [*expectation.reasons, *_window_reasons([window])]
    if len(stretch.releases) > 1:
        reasons += ["about-the-bracket", *(reason for reason in stretch.reasons if reason in SHARES)]
    reasons += [reason for reason in stretch.reasons if reason == START_UP or reason.startswith(HINT_PREFIX)]
    return charge_of(
        window,
        expectation,
        owed,
        channel=stretch.channel,
        unit=stretch.unit,
        closed_us=stretch.closes_us,
        counted=share,
        grade=stretch.grade,
        verdict=stretch.verdict,
        reasons=tuple(dict.fromkeys(reasons)),
    )


def _posting(stretch: Stretch, legs: tuple[tuple[str, int], ...]) -> Posting | None:
    if not legs:
        return None
    return Posting(stretch.printer, stretch.run, stretch.channel, stretch.opens_us, stretch.closes_us, legs)
