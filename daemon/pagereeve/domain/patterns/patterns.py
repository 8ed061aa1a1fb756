"""A printer's brackets one after the other: what shows only over many."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pagereeve.domain.brackets.hypotheses import Compared, contradicted, explaining
from pagereeve.domain.brackets.leads import Leads
from pagereeve.domain.brackets.tolerances import tolerance
from pagereeve.domain.charging.postings import NOT_RELEASED, Posted
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Evidence, Finding, Grade, Interval, ReleaseKey, Verdict
from pagereeve.domain.patterns import tickets
from pagereeve.domain.patterns.bias import BiasStep, Excursion, after, signs_after
from pagereeve.domain.patterns.diagnosis import LOOKED_AT, Diagnosis, Difference, diagnose, remembered
from pagereeve.domain.patterns.memory import LATELY_MAX, NAMED_MAX, Lately, PatternMemory, StandingStill
from pagereeve.domain.patterns.tickets import holds_back, is_multiple

# So many releases in a row that the meter did not notice are no coincidence. Common practice, no source.
STANDS_FROM: Final = 3
UNSURE: Final = frozenset({Grade.BROKEN, Grade.BLIND})
SHOWN_MAX: Final = 3

Dated = tuple[int, Posted]


@dataclass(slots=True)
class Followed:
    """``states`` are what was known after each stretch; ``findings`` bear the instant at which they were over.

    ``suggestions`` are evidence for findings of stray pages, by their ids: whose they may be, and no more than that.
    ``held`` are the ids of surpluses that are no findings of their own: one about their source's tickets stands for it.
    """

    states: list[tuple[int, PatternMemory]] = field(default_factory=list)
    findings: list[tuple[int | None, Finding]] = field(default_factory=list)
    suggestions: dict[str, Evidence] = field(default_factory=dict)
    held: set[str] = field(default_factory=set)


def follow(
    printer: str,
    posted: Iterable[Dated],
    leads: Leads,
    first: PatternMemory,
    decided: frozenset[str] = frozenset(),
) -> Followed:
    """``leads`` knows which channel speaks for a run; ``first`` is what was known before; ``decided`` are the
    findings about which people spoke.
    """
    followed = Followed()
    habits, standing = first, dict(_conditions(printer, first))
    for at_us, one in sorted(posted, key=_order):
        if is_multiple(one) and holds_back(habits.tickets, one.windows, decided):
            anchor = find.bracket_anchor(one.stretch.channel, [window.release for window in one.windows])
            followed.held.add(find.finding_id("surplus", printer, anchor))
        if not leads.speaks(one.stretch):
            continue
        if _is_whole_gap(one) and habits.run == one.stretch.run:
            suggestion = _suggestion(habits.lately, one.stretch.counted)
            if suggestion is not None:
                followed.suggestions[find.finding_id("stray-pages", printer, find.gap_anchor(one.stretch))] = suggestion
        habits = _after(habits, at_us, one)
        now = dict(_conditions(printer, habits))
        for key, finding in standing.items():
            if key not in now:
                followed.findings.append((at_us, replace(finding, until_us=at_us, state="closed")))
        standing = now
        followed.states.append((at_us, habits))
    followed.findings += [(None, finding) for finding in standing.values()]
    return followed


def _is_whole_gap(posted: Posted) -> bool:
    """A gap of which nothing is known to be another function's, maintenance or a test page."""
    stretch = posted.stretch
    return not stretch.releases and stretch.counted > 0 and NOT_RELEASED.isdisjoint(stretch.reasons)


def _suggestion(lately: Sequence[Lately], pages: int) -> Evidence | None:
    """Pages that a release missed and that came later (apple/cups#1956), or a job once more (apple/cups#3810)."""
    for one in reversed(lately):
        if one.missed == pages:
            return shown.perhaps_missed(one.release)
    for one in reversed(lately):
        if one.counted == pages:
            return shown.perhaps_again(one.release)
    return None


def _order(dated: Dated) -> tuple[int, int, int]:
    at_us, one = dated
    return (at_us, one.stretch.run, one.stretch.opens_us)


def _after(habits: PatternMemory, at_us: int, posted: Posted) -> PatternMemory:
    stretch = posted.stretch
    if stretch.run != habits.run:
        habits = PatternMemory(run=stretch.run, tickets=habits.tickets)
    if not stretch.releases:
        return replace(habits, standing=None) if stretch.counted else habits
    if stretch.grade in UNSURE or stretch.expected is None:
        return habits
    if not NOT_RELEASED.isdisjoint(stretch.reasons):
        return habits
    habits = PatternMemory(
        habits.run,
        habits.up,
        habits.down,
        habits.signs,
        habits.recent,
        _stands(habits.standing, posted),
        habits.diagnosed,
        _lately(habits.lately, posted),
        tickets.after(habits.tickets, posted),
    )
    # Between wide cuts other pages may be in the count: they say nothing of the printer's habits.
    if stretch.verdict is Verdict.AGREES and stretch.grade is not Grade.WIDE:
        habits = _summed(habits, at_us, posted, stretch.expected)
    if stretch.verdict is Verdict.UNPROVEN or stretch.grade is Grade.WIDE or is_multiple(posted):
        return habits
    return _looked_back(habits, at_us, posted, stretch.expected)


def _lately(lately: tuple[Lately, ...], posted: Posted) -> tuple[Lately, ...]:
    stretch = posted.stretch
    if len(stretch.releases) != 1 or stretch.expected is None:
        return lately
    missed = max(0, stretch.expected.least - stretch.counted)
    # Of older ones only those whose pages may still come: a resume point is stored often.
    kept = (*(one for one in lately if one.missed), Lately(stretch.releases[0], stretch.counted, missed))
    return kept[-LATELY_MAX:]


def _summed(habits: PatternMemory, at_us: int, posted: Posted, expected: Interval) -> PatternMemory:
    policy = posted.windows[0].release.policy
    tolerated = tolerance(expected.least if expected.most is None else expected.most, policy)
    if not tolerated and habits.up is None and habits.down is None:
        return habits
    step = BiasStep(find.beyond(posted.stretch.counted, expected), tolerated, at_us, _first(posted))
    signs = signs_after(habits.signs, step)
    up, down = after(habits.up, step, 1, signs), after(habits.down, step, -1, signs)
    return replace(habits, up=up, down=down, signs=signs)


def _first(posted: Posted) -> ReleaseKey:
    return min(posted.windows, key=lambda window: window.release.order).release.key


def compared(posted: Posted, expected: Interval, *, jammed: bool = False) -> Compared:
    """A settled bracket, as hypotheses look at it."""
    stretch = posted.stretch
    releases = tuple(window.release for window in posted.windows)
    return Compared(stretch.channel, stretch.unit, releases, stretch.counted, expected, jammed)


def _looked_back(habits: PatternMemory, at_us: int, posted: Posted, expected: Interval) -> PatternMemory:
    counted = posted.stretch.counted
    if expected.holds(counted):
        if not habits.recent:
            return habits
        new = Difference(at_us, contradicts=contradicted(compared(posted, expected), LOOKED_AT))
    else:
        explained = explaining(compared(posted, expected), LOOKED_AT)
        new = Difference(at_us, explained, (), _first(posted), counted, expected.least)
    recent = remembered(habits.recent, new)
    diagnosis, known = diagnose(recent), habits.diagnosed
    if diagnosis is None:
        diagnosed = None
    elif known is not None and known[0] == diagnosis.hypothesis.name:
        diagnosed = known
    else:
        diagnosed = (diagnosis.hypothesis.name, at_us)
    return replace(habits, recent=recent, diagnosed=diagnosed)


def _stands(standing: StandingStill | None, posted: Posted) -> StandingStill | None:
    """Grows with releases that ended as completed, should have moved the meter, and did not."""
    stretch = posted.stretch
    if stretch.counted:
        return None
    ended = all(one.release.ended is not None and one.release.ended.outcome == "completed" for one in posted.windows)
    if stretch.verdict is not Verdict.SHORTFALL or not ended:
        return standing
    named = standing.releases if standing is not None else ()
    return StandingStill(
        since_us=min(one.release.start_us for one in posted.windows) if standing is None else standing.since_us,
        level=stretch.after or 0,
        releases=(*named, *(one.release.key for one in posted.windows))[:NAMED_MAX],
        count=len(posted.windows) + (0 if standing is None else standing.count),
    )


def _conditions(printer: str, habits: PatternMemory) -> Iterator[tuple[str, Finding]]:
    """What a person should look at for as long as it lasts, by its id."""
    if habits.up is not None and habits.up.alarmed:
        yield _named(_of_bias(printer, habits, habits.up))
    if habits.down is not None and habits.down.alarmed:
        yield _named(_of_bias(printer, habits, habits.down))
    if habits.standing is not None and habits.standing.count >= STANDS_FROM:
        yield _named(_of_standing(printer, habits, habits.standing))
    yield from map(_named, tickets.findings_of(printer, habits.tickets))
    diagnosis = diagnose(habits.recent) if habits.diagnosed is not None else None
    if diagnosis is not None and habits.diagnosed is not None:
        yield _named(_of_diagnosis(printer, habits, diagnosis, habits.diagnosed[1]))


def _named(finding: Finding) -> tuple[str, Finding]:
    return finding.id, finding


def _of_bias(printer: str, habits: PatternMemory, bias: Excursion) -> Finding:
    more = "more" if bias.pages > 0 else "fewer"
    what = shown.bias(bias.pages, bias.brackets)
    anchor = (habits.run, more, bias.first_us)
    evidence = [shown.first_of(bias.first), shown.last_of(bias.last)]
    return find.make("steady-bias", printer, anchor, bias.first_us, what, evidence, pages=bias.pages)


def _of_standing(printer: str, habits: PatternMemory, standing: StandingStill) -> Finding:
    what = shown.stands_still(standing.count, standing.level)
    anchor, named = (habits.run, standing.since_us), standing.releases
    evidence = [shown.release(key) for key in named[:SHOWN_MAX]]
    if standing.count > len(evidence):
        evidence.append(shown.more(standing.count - len(evidence)))
    return find.make("meter-stands-still", printer, anchor, standing.since_us, what, evidence, releases=named)


def _of_diagnosis(printer: str, habits: PatternMemory, diagnosis: Diagnosis, since_us: int) -> Finding:
    hypothesis = diagnosis.hypothesis
    what = shown.pattern(hypothesis.name, len(diagnosis.explained), diagnosis.differing, diagnosis.brackets)
    named = [(one.release, one) for one in diagnosis.explained if one.release is not None]
    evidence = [shown.release_counted(key, one.counted, one.least) for key, one in named[-SHOWN_MAX:]]
    if diagnosis.contradicted:
        evidence.append(shown.as_expected(diagnosis.contradicted))
    anchor = (habits.run, hypothesis.name, since_us)
    return find.make("diagnosis", printer, anchor, since_us, what, evidence, releases=[key for key, _ in named])
