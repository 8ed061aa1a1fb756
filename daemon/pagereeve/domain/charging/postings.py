"""From one closed stretch to its rows: stretch, posting, charges (domain/README.md, steps 5 to 7)."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from pagereeve.domain.brackets.allocation import SHARES, Movement, Share, provable, share_out
from pagereeve.domain.brackets.expectation import (
    CLAIMED_CHANNELS,
    FUNCTION_CHANNELS,
    NOBODYS_CHANNELS,
    START_UP,
    Expectation,
    total_of,
)
from pagereeve.domain.brackets.hypotheses import HINT_PREFIX, Compared, hints
from pagereeve.domain.brackets.inner_cuts import BracketPart, movements_in, split_shared
from pagereeve.domain.brackets.job_cuts import split_by_jobs
from pagereeve.domain.brackets.job_shares import Told, shared_by_jobs, told_by_jobs, told_of_one, verdicts_of
from pagereeve.domain.brackets.jobs import JobHistory
from pagereeve.domain.brackets.partition import Between, Broken, Cut, Portion
from pagereeve.domain.brackets.runs import Sample
from pagereeve.domain.brackets.verdicts import Judgement, grade_of, judge
from pagereeve.domain.brackets.windows import Window, expected_of
from pagereeve.domain.charging.charges import (
    Owed,
    Proven,
    balanced,
    charge_of,
    legs_for,
    owed_for,
    owed_shared,
    owed_unproven,
)
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import (
    MAINTENANCE,
    OTHER_FUNCTION,
    STRAY,
    UNATTRIBUTED,
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
# Of a shared bracket that is off nobody is charged more than what surely is theirs.
PROVABLE_MINIMUM: Final = "provable-minimum"
# The meter can't say whether somebody copied by hand in between.
COPIES_NOT_APART: Final = "copies-not-counted-apart"
OTHER_FUNCTION_REASON: Final = "other-function"
# The printer's own jobs prove an end of the stretch; and they count more than the meter.
CUT_BY_JOB: Final = "cut-by-job"
WITNESSES_DISAGREE: Final = "witnesses-disagree"
NO_JOBS: Final = JobHistory()
MAINTAINED: Final = frozenset({"maintenance", MAINTENANCE_DECIDED})


@dataclass(frozen=True, slots=True)
class Posted:
    """The rows of one stretch. ``windows`` are the releases in it; other functions made ``others`` of its pages."""

    stretch: Stretch
    posting: Posting | None
    charges: tuple[Charge, ...]
    windows: tuple[Window, ...]
    others: int = 0


def postings_between(
    printer: str, channel: str, between: Between, rules: Rules, jobs: JobHistory = NO_JOBS
) -> list[Posted]:
    """A gap, or a bracket with its inner cuts; between two of these may lie what is nobody's."""
    if not between.windows:
        return [_gap(printer, channel, between, rules)]
    unit = between.closing.count.unit
    expectations = expectations_of(channel, unit, between.windows)
    parts = split_shared(channel, between, expectations)
    return [
        _bracket(printer, channel, part, jobs)
        if part.windows
        else _gap(printer, channel, Between(part.opening, part.closing, ()), rules)
        for part in (split_by_jobs(channel, parts, jobs) if jobs.said else parts)
    ]


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
    others = functions_between(channel, between.opening, between.closing)
    return Posted(stretch, _posting(stretch, balanced(printer, {account: between.counted})), (), (), others or 0)


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
    # One that was asked for before that instant, and showed the same count, still is of the opening cut.
    while first < len(samples) and _is_of(between.opening, samples[first]):
        first += 1
    return samples[first : bisect_right(samples, between.closing.from_us, key=_begins_us)]


def _is_of(cut: Cut, sample: Sample) -> bool:
    count = sample.plateau.sight.count
    return sample.plateau.first_sent_us <= cut.to_us and any(count(name) == cut.count for name, _ in sample.totals)


def _begins_us(sample: Sample) -> int:
    return sample.plateau.first_received_us


def _bracket(printer: str, channel: str, part: BracketPart, jobs: JobHistory) -> Posted:
    if len(part.windows) == 1:
        return _own_bracket(printer, channel, part, jobs)
    others = functions_between(channel, part.opening, part.closing)
    expected = total_of([one.count for one in part.expectations])
    made = min(others or 0, 0 if expected.most is None else max(0, part.counted - expected.most))
    counted = part.counted - made
    stretch = _judged(printer, channel, part, counted)
    movements = movements_in(channel, part)
    fits = expected.holds(counted)
    known = _sure(part, counted, movements, fits=fits)
    told = None if fits else told_by_jobs(channel, part, counted, jobs, apart=others is not None)
    shares, how, known, told = _shared(part, counted, movements, known, told)
    sure = [min(pages, share) for pages, share in zip(known, shares, strict=True)]
    doubt = (WITNESSES_DISAGREE,) if told is not None and told.disagrees else ()
    reasons = (*stretch.reasons, how, *((OTHER_FUNCTION_REASON,) if made else ()), *doubt)
    stretch = replace(stretch, reasons=reasons)
    mosts = [None] * len(sure) if told is None else [one.most for one in told.bounds]
    owed = [
        owed_shared(Proven(share, pages, fits, most), expectation, channel, window.release.policy)
        for share, pages, most, expectation, window in zip(
            shares, sure, mosts, part.expectations, part.windows, strict=True
        )
    ]
    by_whom = () if fits else _unsure_reasons(channel, others)
    charges = tuple(
        _charge(stretch, window, expectation, one, share, by_whom)
        for window, expectation, one, share in zip(part.windows, part.expectations, owed, shares, strict=True)
    )
    if told is not None and told.binds:
        charges = _told_apart(stretch, part, charges, told)
    owners = [window.release.started.owner for window in part.windows]
    legs = legs_for(printer, channel, part.counted, list(zip(owners, owed, strict=True)), fits=fits, others=made)
    return Posted(stretch, _posting(stretch, legs), charges, part.windows)


def _shared(
    part: BracketPart, counted: int, movements: Sequence[Movement], known: list[int], told: Told | None
) -> tuple[list[int], Share, list[int], Told | None]:
    """Shares of a shared count, how they were found, what of them is sure, and the word of jobs as it stands then."""
    expected = [one.count for one in part.expectations]
    if told is not None and told.binds:
        sure = told.sure(counted, expected, movements)
        if sure is not None:
            return (*shared_by_jobs(counted, expected, movements, sure, told), sure, told)
        told = told.refused()
    return (*share_out(counted, expected, movements, known), known, told)


def _told_apart(stretch: Stretch, part: BracketPart, charges: Sequence[Charge], told: Told) -> tuple[Charge, ...]:
    """The charges, each with the verdict that the word of its own job proves."""
    if stretch.verdict is None:
        return tuple(charges)
    verdicts = verdicts_of(told, [one.count for one in part.expectations], stretch.verdict)
    return tuple(
        replace(charge, verdict=verdict, reasons=(*charge.reasons, *((link.link,) if link is not None else ())))
        for charge, verdict, link in zip(charges, verdicts, told.links, strict=True)
    )


def _own_bracket(printer: str, channel: str, part: BracketPart, jobs: JobHistory) -> Posted:
    """A bracket, or a part of one, that is one release's own."""
    window, expectation = part.windows[0], part.expectations[0]
    stretch = _judged(printer, channel, part, part.counted)
    by_job = told_of_one(channel, part, stretch.verdict, jobs)
    stretch = replace(stretch, reasons=(*stretch.reasons, *by_job))
    owed = owed_for(part.counted, expectation, channel, window.release.policy)
    legs = legs_for(printer, channel, part.counted, [(window.release.started.owner, owed)])
    charge = _charge(stretch, window, expectation, owed, part.counted, by_job)
    others = functions_between(channel, part.opening, part.closing)
    return Posted(stretch, _posting(stretch, legs), (charge,), part.windows, others or 0)


def _judged(printer: str, channel: str, part: BracketPart, counted: int) -> Stretch:
    judgement = judge(counted, part.expectations, [window.release.policy for window in part.windows])
    if judgement.verdict in {Verdict.SURPLUS, Verdict.SHORTFALL}:
        judgement = _with_what_happened(channel, part, counted, judgement)
    return Stretch(
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
        grade=grade_of(part, judgement.verdict, counted),
        verdict=judgement.verdict,
        expected=judgement.expected,
        reasons=(*judgement.reasons, *_window_reasons(part.windows), *((CUT_BY_JOB,) if part.by_job else ())),
    )


def _sure(part: BracketPart, counted: int, movements: Sequence[Movement], *, fits: bool) -> list[int]:
    """The pages that are surely each release's own."""
    expected = [one.count for one in part.expectations]
    sure = provable(counted, expected, movements)
    if fits:
        return [max(pages, one.least) for pages, one in zip(sure, expected, strict=True)]
    if part.bounds is not None:
        # Those before the rest had ended by all that is known; what came behind it fits the others to the page.
        releases, before = part.bounds
        behind = total_of(expected[releases:])
        if behind.least == behind.most == counted - before:
            sure[releases:] = [one.least for one in expected[releases:]]
    return sure


def _unsure_reasons(channel: str, others: int | None) -> tuple[str, ...]:
    if channel not in CLAIMED_CHANNELS:
        return ()
    return (PROVABLE_MINIMUM,) if others is not None else (PROVABLE_MINIMUM, COPIES_NOT_APART)


def functions_between(channel: str, opening: Cut, closing: Cut) -> int | None:
    """Pages of the total that the meter itself counts as other functions'; None where it doesn't count them apart."""
    if channel != "total" or opening.run is not closing.run:
        return None
    samples = opening.run.samples
    before = samples[max(0, bisect_right(samples, opening.to_us, key=_begins_us) - 1)]
    after = samples[max(0, bisect_right(samples, closing.from_us, key=_begins_us) - 1)]
    pages: int | None = None
    for name in FUNCTION_CHANNELS:
        left, right = before.total(name), after.total(name)
        if left is not None and right is not None:
            pages = (pages or 0) + right - left
    return pages


def _with_what_happened(channel: str, part: BracketPart, counted: int, judgement: Judgement) -> Judgement:
    """A count that is not what was expected, looked at once more: a start-up page, then the known patterns."""
    policy = part.windows[0].release.policy
    samples = _samples_in(Between(part.opening, part.closing, part.windows))
    restarts = sum(sample.restarted for sample in samples)
    pages = START_UP_PAGES_MAX if policy.start_up_pages is None else policy.start_up_pages
    if restarts and pages:
        policies = [window.release.policy for window in part.windows]
        judgement = judge(counted, part.expectations, policies, Interval(0, restarts * pages))
    if judgement.verdict not in {Verdict.SURPLUS, Verdict.SHORTFALL}:
        return judgement
    one = Compared(
        channel,
        part.closing.count.unit,
        tuple(window.release for window in part.windows),
        counted,
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
        posting = _posting(stretch, balanced(printer, {UNATTRIBUTED: portion.counted}))
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


def named(posted: Posted) -> Stretch:
    """The stretch as a finding tells of it: of a bracket's releases those that are not proven to be out of it."""
    verdict = posted.stretch.verdict
    off = tuple(one.release for one in posted.charges if one.verdict is verdict)
    if not off or len(off) == len(posted.stretch.releases):
        return posted.stretch
    return replace(posted.stretch, releases=off)


def _keys(windows: Sequence[Window]) -> tuple[ReleaseKey, ...]:
    return tuple(window.release.key for window in windows)


def _window_reasons(windows: Sequence[Window]) -> tuple[str, ...]:
    reasons = [f"window-{window.closing}" for window in windows if window.closing not in {None, "rested"}]
    reasons += ["rest-by-count" for window in windows if window.by_count]
    reasons += ["stalled" for window in windows if window.stalled]
    reasons += ["no-end-notice" for window in windows if window.release.ended is None]
    return tuple(dict.fromkeys(reasons))


def _charge(
    stretch: Stretch,
    window: Window,
    expectation: Expectation,
    owed: Owed,
    share: int | None,
    unsure: Sequence[str] = (),
) -> Charge:
    reasons = [*expectation.reasons, *_window_reasons([window])]
    if len(stretch.releases) > 1:
        reasons += ["about-the-bracket", *(reason for reason in stretch.reasons if reason in SHARES)]
    reasons += unsure
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
