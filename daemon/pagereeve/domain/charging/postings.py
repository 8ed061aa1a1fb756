"""From one closed stretch to its rows: stretch, posting, charges (domain/README.md, steps 5 to 7)."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from pagereeve.domain.brackets.allocation import SHARES, Movement, Share, provable, share_out
from pagereeve.domain.brackets.expectation import (
    CLAIMED_CHANNELS,
    NOBODYS_CHANNELS,
    START_UP,
    Expectation,
    total_of,
)
from pagereeve.domain.brackets.functions import apart_in, without_functions
from pagereeve.domain.brackets.hypotheses import HINT_PREFIX, Compared, hints
from pagereeve.domain.brackets.inner_cuts import split_bracket
from pagereeve.domain.brackets.inner_levels import BracketPart
from pagereeve.domain.brackets.job_cuts import split_by_jobs
from pagereeve.domain.brackets.job_shares import Told, shared_by_jobs, told_by_jobs, told_of_one, verdicts_of
from pagereeve.domain.brackets.jobs import JobHistory
from pagereeve.domain.brackets.noted import NOTHING_NOTED, Noted, movements_of, noted_in
from pagereeve.domain.brackets.partition import Between, Broken, Cut, Portion
from pagereeve.domain.brackets.prints import PRINTS_ALONE
from pagereeve.domain.brackets.runs import Sample
from pagereeve.domain.brackets.verdicts import Judgement, grade_of, judge
from pagereeve.domain.brackets.windows import Window, expected_of
from pagereeve.domain.charging.charges import (
    Owed,
    Proven,
    balanced,
    charge_of,
    is_below_need,
    legs_for,
    owed_below_need,
    owed_for,
    owed_shared,
    owed_unproven,
)
from pagereeve.domain.facts.in_force import MAINTENANCE as MAINTENANCE_NOTED
from pagereeve.domain.facts.in_force import TEST_PAGES, Rules
from pagereeve.domain.facts.reading import Count, Unit
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
from pagereeve.domain.values.records import dataclass

# Pages that a printer may make of its own when it comes back, where nothing is known of it.
START_UP_PAGES_MAX: Final = 1
MAINTENANCE_DECIDED: Final = "maintenance-decided"
# Of a shared bracket that is off nobody is charged more than what surely is theirs.
PROVABLE_MINIMUM: Final = "provable-minimum"
# The meter can't say whether somebody copied by hand in between.
COPIES_NOT_APART: Final = "copies-not-counted-apart"
# The policy charges only by a unit that is known better than this counter's.
UNIT_BELOW_NEED: Final = "unit-below-need"
OTHER_FUNCTION_REASON: Final = "other-function"
# The printer's own jobs prove an end of the stretch; and they count more than the meter.
CUT_BY_JOB: Final = "cut-by-job"
WITNESSES_DISAGREE: Final = "witnesses-disagree"
NO_JOBS: Final = JobHistory()
MAINTAINED: Final = frozenset({MAINTENANCE_NOTED, TEST_PAGES, MAINTENANCE_DECIDED})
# What is said of a stretch, and stands beside each charge of it too.
NOT_RELEASED: Final = frozenset({OTHER_FUNCTION_REASON, MAINTENANCE_NOTED, TEST_PAGES})
"""Of a bracket: pages in it are known to be no release's."""
CARRIED: Final = NOT_RELEASED | {START_UP}
DIFFERS: Final = frozenset({Verdict.SURPLUS, Verdict.SHORTFALL})


@dataclass(frozen=True, slots=True)
class Posted:
    """The rows of one stretch. ``windows`` are the releases in it.

    ``count`` is what the meter showed at its end, of a bracket that is one release's own.
    """

    stretch: Stretch
    posting: Posting | None
    charges: tuple[Charge, ...]
    windows: tuple[Window, ...]
    count: Count | None = None


def postings_between(
    printer: str, channel: str, between: Between, rules: Rules, jobs: JobHistory = NO_JOBS
) -> list[Posted]:
    """A gap, or a bracket with its inner cuts; between two of these may lie what is nobody's."""
    apart = apart_in(channel, between)
    between = without_functions(between, apart)
    if not between.windows:
        return [_gap(printer, channel, between, rules)]
    unit = between.closing.count.unit
    expectations = expectations_of(channel, unit, between.windows)
    parts = split_bracket(channel, between, expectations, apart)
    return [
        _bracket(printer, channel, part, rules, jobs)
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
    # To make it anew costs as much as to make it: nearly no gap has a reason.
    if reasons := _gap_reasons(between, stretch, rules):
        stretch = replace(stretch, reasons=reasons)
    account = OTHER_FUNCTION if channel in NOBODYS_CHANNELS else STRAY
    others = between.closing.others - between.opening.others
    if not MAINTAINED.isdisjoint(stretch.reasons):
        account, others = MAINTENANCE, 0
    if others:
        stretch = replace(stretch, reasons=(*stretch.reasons, OTHER_FUNCTION_REASON))
    received = {OTHER_FUNCTION: others}
    received[account] = received.get(account, 0) + between.counted - others
    return Posted(stretch, _posting(stretch, balanced(printer, received)), (), ())


def _gap_reasons(between: Between, stretch: Stretch, rules: Rules) -> tuple[str, ...]:
    noted = rules.noted_work(stretch.opens_us, stretch.closes_us)
    if noted:
        return (noted,)
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


def _bracket(printer: str, channel: str, part: BracketPart, rules: Rules, jobs: JobHistory) -> Posted:
    noted = NOTHING_NOTED if channel in NOBODYS_CHANNELS else noted_in(channel, part, rules)
    if len(part.windows) == 1:
        return _own_bracket(printer, channel, part, noted, jobs)
    stretch = _judged(printer, channel, part, noted)
    counted = part.counted - noted.beyond(part)
    fits = part.expected.holds(counted)
    shares, how, known, told = _shared(channel, part, counted, rules, jobs)
    sure = [min(pages, share) for pages, share in zip(known, shares, strict=True)]
    doubt = (WITNESSES_DISAGREE,) if told is not None and told.disagrees else ()
    stretch = replace(stretch, reasons=(*stretch.reasons, how, *doubt))
    mosts = [None] * len(sure) if told is None else [one.most for one in told.bounds]
    owed = [
        owed_shared(Proven(share, pages, fits, most), expectation, channel, window.release.policy)
        for share, pages, most, expectation, window in zip(
            shares, sure, mosts, part.expectations, part.windows, strict=True
        )
    ]
    owed, below = _as_needed(channel, part, shares, owed)
    by_whom = () if fits else _unsure_reasons(channel, part)
    charges = tuple(
        _charge(stretch, window, expectation, one, share, (*by_whom, *why))
        for window, expectation, one, share, why in zip(
            part.windows, part.expectations, owed, shares, below, strict=True
        )
    )
    if told is not None and told.binds:
        charges = _told_apart(stretch, part, charges, told)
    owners = [window.release.started.owner for window in part.windows]
    legs = legs_for(
        printer,
        channel,
        stretch.counted,
        list(zip(owners, owed, strict=True)),
        fits=fits,
        others=part.others,
        noted=part.counted - counted,
    )
    return Posted(stretch, _posting(stretch, legs), charges, part.windows)


def _shared(
    channel: str, part: BracketPart, counted: int, rules: Rules, jobs: JobHistory
) -> tuple[list[int], Share, list[int], Told | None]:
    """Shares of a shared count, how they were found, what of them is sure, and the word of jobs as it stands then."""
    expected = [one.count for one in part.expectations]
    if counted == part.expected.least:
        # Each has its least and no page is left, whoever moved the meter when.
        own = [one.least for one in expected]
        return own, "share-as-expected", own, None
    movements, fits = movements_of(channel, part, rules), part.expected.holds(counted)
    known = _sure(part, counted, movements, fits=fits)
    told = None if fits else told_by_jobs(channel, part, counted, jobs)
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


def _own_bracket(printer: str, channel: str, part: BracketPart, noted: Noted, jobs: JobHistory) -> Posted:
    """A bracket, or a part of one, that is one release's own."""
    window, expectation = part.windows[0], part.expectations[0]
    stretch = _judged(printer, channel, part, noted)
    beyond = noted.beyond(part)
    counted = part.counted - beyond
    by_job = told_of_one(channel, part, counted, stretch.verdict, jobs)
    if by_job:
        stretch = replace(stretch, reasons=(*stretch.reasons, *by_job))
    owed = owed_for(counted, expectation, channel, window.release.policy)
    below: tuple[str, ...] = ()
    if is_below_need(channel, part.closing.count, expectation, window.release.policy):
        owed, below = owed_below_need(counted, expectation, channel, window.release), (UNIT_BELOW_NEED,)
    owner = window.release.started.owner
    legs = legs_for(printer, channel, stretch.counted, [(owner, owed)], others=part.others, noted=beyond)
    charge = _charge(stretch, window, expectation, owed, counted, (*by_job, *below))
    return Posted(stretch, _posting(stretch, legs), (charge,), part.windows, part.closing.count)


def _as_needed(
    channel: str, part: BracketPart, shares: Sequence[int], owed: Sequence[Owed]
) -> tuple[list[Owed], list[tuple[str, ...]]]:
    """(what each owes, why it is less) where the policy needs the counter's unit to be known better than it is."""
    count, needed = part.closing.count, list(owed)
    why: list[tuple[str, ...]] = [()] * len(owed)
    for place, (window, expectation) in enumerate(zip(part.windows, part.expectations, strict=True)):
        if is_below_need(channel, count, expectation, window.release.policy):
            needed[place] = owed_below_need(shares[place], expectation, channel, window.release)
            why[place] = (UNIT_BELOW_NEED,)
    return needed, why


def _judged(printer: str, channel: str, part: BracketPart, noted: Noted) -> Stretch:
    """What other functions counted is expected as it is, to the page; of what was noted as much as is too many."""
    beyond = noted.beyond(part)
    counted = part.counted - beyond
    judgement = judge(counted, part.expectations, [window.release.policy for window in part.windows])
    if judgement.verdict in DIFFERS:
        judgement = _with_what_happened(channel, part, counted, judgement)
    known = (*((OTHER_FUNCTION_REASON,) if part.others else ()), *noted.notes)
    return Stretch(
        printer=printer,
        run=part.closing.run.number,
        channel=channel,
        unit=part.closing.count.unit,
        opens_us=part.opening.to_us,
        closes_us=part.closing.from_us,
        before=part.opening.count.value,
        after=part.closing.count.value,
        counted=part.closing.total - part.opening.total,
        releases=_keys(part.windows),
        grade=grade_of(part, judgement.verdict, counted),
        verdict=judgement.verdict,
        expected=_raised(judgement.expected, part.others, beyond) if known else judgement.expected,
        reasons=(*judgement.reasons, *_window_reasons(part.windows), *((CUT_BY_JOB,) if part.by_job else ()), *known),
    )


def _raised(expected: Interval, surely: int, perhaps: int) -> Interval:
    most = None if expected.most is None else expected.most + surely + perhaps
    return Interval(expected.least + surely, most)


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


def _unsure_reasons(channel: str, part: BracketPart) -> tuple[str, ...]:
    if channel not in CLAIMED_CHANNELS:
        return ()
    # A counter of prints counts no copies.
    apart = part.apart is not None or channel == PRINTS_ALONE
    return (PROVABLE_MINIMUM,) if apart else (PROVABLE_MINIMUM, COPIES_NOT_APART)


def _with_what_happened(channel: str, part: BracketPart, counted: int, judgement: Judgement) -> Judgement:
    """A count that is not what was expected, looked at once more: a start-up page, then the known patterns."""
    policy = part.windows[0].release.policy
    samples = _samples_in(Between(part.opening, part.closing, part.windows))
    restarts = sum(sample.restarted for sample in samples)
    pages = START_UP_PAGES_MAX if policy.start_up_pages is None else policy.start_up_pages
    if restarts and pages:
        policies = [window.release.policy for window in part.windows]
        judgement = judge(counted, part.expectations, policies, Interval(0, restarts * pages))
    if judgement.verdict not in DIFFERS:
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
    return tuple([window.release.key for window in windows])


def _window_reasons(windows: Sequence[Window]) -> tuple[str, ...]:
    if len(windows) == 1 and _is_plain(windows[0]):
        return ()
    reasons = [f"window-{window.closing}" for window in windows if window.closing not in {None, "rested"}]
    reasons += ["rest-by-count" for window in windows if window.by_count]
    reasons += ["stalled" for window in windows if window.stalled]
    reasons += ["read-from-panel" for window in windows if window.release.policy.by_panel]
    reasons += ["no-end-notice" for window in windows if window.release.ended is None]
    return tuple(dict.fromkeys(reasons))


def _is_plain(window: Window) -> bool:
    """It closed by a rest, as most do: nothing is said of it."""
    release = window.release
    odd = window.by_count or window.stalled or release.ended is None or release.policy.by_panel
    return window.closing == "rested" and not odd


def _charge(
    stretch: Stretch,
    window: Window,
    expectation: Expectation,
    owed: Owed,
    share: int | None,
    unsure: Sequence[str] = (),
) -> Charge:
    reasons = [*expectation.reasons, *_window_reasons((window,))]
    if len(stretch.releases) > 1:
        reasons += ["about-the-bracket", *(reason for reason in stretch.reasons if reason in SHARES)]
    reasons += unsure
    reasons += [reason for reason in stretch.reasons if reason in CARRIED or reason.startswith(HINT_PREFIX)]
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
