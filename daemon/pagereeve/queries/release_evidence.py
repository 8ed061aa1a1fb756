"""Everything the store knows about one release, gathered: rows, and the facts of its printer around it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.domain.badges.projector import SITE
from pagereeve.domain.brackets.chosen import with_chosen
from pagereeve.domain.brackets.timeline import ECHO_WITHIN_US, start_of, started_again
from pagereeve.domain.brackets.units import with_units
from pagereeve.domain.facts.facts import (
    BadgePresented,
    Fact,
    PlateauRead,
    PrinterNoted,
    ReadFailed,
    ReleaseAnswered,
    ReleaseEnded,
    ReleaseStarted,
    instant_us,
)
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.jobs import JobCounted
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Plateau, Silence, UnitGrade
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.ledger import Charge, EvidenceKind, Finding, Grade, Posting, ReleaseKey, Stretch
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import FOREVER_US, SECOND_US
from pagereeve.ports.reads import Reads
from pagereeve.queries.near_releases import NoSuchRelease, near_releases
from pagereeve.queries.noted_readings import Seen, noted_readings

DAY_US: Final = 86_400 * SECOND_US
# How far back to look for the reading that the opening cut lies on: a quiet weekend, a summer, for ever.
LOOK_BACK_US: Final = (4 * DAY_US, 100 * DAY_US, 2**62)
# Readings come in order: the first one so long after the closing cut ends the search. Events may come later than that.
LOOK_ON_US: Final = DAY_US
BADGES_WITHIN_US: Final = 300 * SECOND_US
BROKEN_BACK_US: Final = 100 * DAY_US
OTHERS_MAX: Final = 50
# Evidence that only offers a release: nothing proves that it is meant.
PERHAPS: Final = (EvidenceKind.PERHAPS_MISSED, EvidenceKind.PERHAPS_AGAIN, EvidenceKind.PERHAPS_AT)
KEYS_MAX: Final = 50


@dataclass(slots=True)
class Evidence:
    """``charges`` has one row a channel, ``stretches`` those that name the release. ``others`` shared its
    bracket, and ``others_left_out`` more. ``plateaus`` show the counters that were billed; ``next_plateau`` is the
    first behind its last stretch.

    ``grades`` say of each channel how its unit was known when its stretch closed.

    Facts are of the stretch and a little around it, each kind in order of time. ``decided``: decisions about its pages
    that post something, undone ones among them. ``panels``: what people read from the panel meanwhile.
    """

    key: ReleaseKey
    printer: str
    charges: Sequence[Charge]
    policy: Policy
    settle_us: int
    settle_learned_us: int | None
    swipe_us: int
    starts: list[ReleaseStarted] = field(default_factory=list)
    ends: list[ReleaseEnded] = field(default_factory=list)
    answers: list[ReleaseAnswered] = field(default_factory=list)
    stretches: list[Stretch] = field(default_factory=list)
    postings: list[Posting] = field(default_factory=list)
    findings: Sequence[Finding] = ()
    others: list[Charge] = field(default_factory=list)
    others_left_out: int = 0
    plateaus: list[Plateau] = field(default_factory=list)
    next_plateau: Plateau | None = None
    silences: list[Silence] = field(default_factory=list)
    badges: list[BadgePresented] = field(default_factory=list)
    notes: list[PrinterNoted] = field(default_factory=list)
    grades: dict[str, UnitGrade] = field(default_factory=dict)
    jobs: list[JobCounted] = field(default_factory=list)
    decided: Sequence[Ruling] = ()
    panels: Sequence[Seen] = ()

    @property
    def started_us(self) -> int:
        return self.charges[0].started_us

    @property
    def from_us(self) -> int:
        """Where the earliest stretch opens, or the release starts if none is closed."""
        return min([self.started_us, *(one.opens_us for one in self.stretches)])

    @property
    def to_us(self) -> int | None:
        """Where the latest stretch closes; None while the bracket is open."""
        closings = [one.closes_us for one in self.stretches] + [
            one.closed_us for one in self.charges if one.closed_us is not None
        ]
        return max(closings) if closings else None


async def gather(reads: Reads, release: str, source: str | None = None) -> list[Evidence]:
    """All releases of that name, each by itself where it was used twice. Raises BadQuestion where there is none."""
    charges = await reads.charges_of(release)
    places = dict.fromkeys((one.release, one.printer, one.started_us) for one in charges)
    chosen = [place for place in places if source is None or place[0].source == source]
    if not chosen:
        sources = sorted({place[0].source for place in places})
        if not sources:
            raise NoSuchRelease(release, await near_releases(reads, release, source))
        text = f"no release {release[:60]!r} came from {source!r}; it came from {', '.join(sources)}"
        raise BadQuestion("RELEASE", text)
    if len(chosen) > KEYS_MAX:
        raise BadQuestion("--source", f"{len(chosen)} releases are named {release[:60]!r}; name the source of one")
    return [
        await _gathered(reads, place[0], place[1], [one for one in charges if _place(one) == place]) for place in chosen
    ]


def _place(one: Charge) -> tuple[ReleaseKey, str, int]:
    return (one.release, one.printer, one.started_us)


async def _gathered(reads: Reads, key: ReleaseKey, printer: str, charges: list[Charge]) -> Evidence:
    in_force = [stored.fact for stored in await reads.standing_facts(printer)]
    rules = Rules.of(in_force)
    started_us = charges[0].started_us
    advance = rules.settle_us(started_us), rules.settle_learned_us(started_us)
    site = SiteRules.of([stored.fact for stored in await reads.standing_facts(SITE)])
    swipe_us = site.policy_at(started_us).swipe_us
    evidence = Evidence(key, printer, charges, rules.policy_at(started_us), *advance, swipe_us)
    mine = [one for one in await reads.release_facts(key.source, key.release) if one.printer == printer]
    evidence.starts, evidence.ends = notices_of(mine, started_us)
    await _add_rows(reads, evidence)
    await _add_facts(reads, evidence)
    _bill(evidence, rules)
    evidence.grades = _grades(evidence, rules)
    evidence.notes = [one for one in rules.notes if _near(evidence, one.origin.at_us)]
    evidence.findings = await reads.findings_of(key)
    until_us = FOREVER_US if evidence.to_us is None else evidence.to_us
    evidence.panels = await noted_readings(reads, printer, evidence.from_us, until_us)
    return evidence


def _bill(evidence: Evidence, rules: Rules) -> None:
    """Readings with the counters that were billed then: what was chosen stands in the place of what was read."""
    parts = with_chosen(evidence.plateaus, rules)
    reached = [one for one in parts if evidence.to_us is None or one.first_received_us <= evidence.to_us]
    before = [one for one in reached if one.first_received_us <= evidence.from_us]
    evidence.plateaus = [*before[-1:], *reached[len(before) :]]
    if evidence.next_plateau is not None:
        evidence.next_plateau = with_chosen([evidence.next_plateau], rules)[0]


def _grades(evidence: Evidence, rules: Rules) -> dict[str, UnitGrade]:
    """By channel, of the reading that the closing cut lies on."""
    grades: dict[str, UnitGrade] = {}
    for stretch in evidence.stretches:
        closing = [one for one in evidence.plateaus if one.first_received_us <= stretch.closes_us]
        count = with_units(closing[-1], rules).sight.count(stretch.channel) if closing else None
        if count is not None:
            grades[stretch.channel] = count.grade
    return grades


def notices_of(facts: Sequence[Fact], started_us: int) -> tuple[list[ReleaseStarted], list[ReleaseEnded]]:
    """Of a name that was used again, the notices of the release that started then; those that change nothing too."""
    starts = sorted((one for one in facts if isinstance(one, ReleaseStarted)), key=lambda one: one.origin.order)
    ends = [one for one in facts if isinstance(one, ReleaseEnded)]
    again = started_again(starts)
    opening = [one for one in starts if again.get(one.origin.key) != "echo"]
    own_starts = []
    for started in starts:
        echo = again.get(started.origin.key) == "echo"
        near_us = abs(started.origin.at_us - started_us)
        if near_us <= (ECHO_WITHIN_US if echo else 0):
            own_starts.append(started)
    begun = [(ended, start_of(ended, opening, again)) for ended in ends]
    return own_starts, [ended for ended, start in begun if start is not None and start.origin.at_us == started_us]


async def _add_rows(reads: Reads, evidence: Evidence) -> None:
    latest_us = max((one.closed_us for one in evidence.charges if one.closed_us is not None), default=None)
    if latest_us is None:
        return
    # Where a run ended, the first part of the bracket closes with that run: perhaps long before the release.
    broken = any(one.grade is Grade.BROKEN for one in evidence.charges)
    from_us = evidence.started_us - (BROKEN_BACK_US if broken else 0)
    near = await reads.stretches(evidence.printer, from_us, latest_us)
    evidence.stretches = [one for one in near if evidence.key in one.releases]
    for closes_us in sorted({one.closes_us for one in evidence.stretches}):
        async for posting in reads.postings(closes_us, closes_us + 1):
            if any(_same_stretch(posting, one) for one in evidence.stretches):
                evidence.postings.append(posting)
    names = dict.fromkeys(key for one in evidence.stretches for key in one.releases if key != evidence.key)
    evidence.others_left_out = max(0, len(names) - OTHERS_MAX)
    for other in list(names)[:OTHERS_MAX]:
        known = await reads.charges_of(other.release)
        evidence.others += [one for one in known if one.release == other and one.printer == evidence.printer]


def _same_stretch(posting: Posting, stretch: Stretch) -> bool:
    return (posting.printer, posting.run, posting.channel, posting.opens_us, posting.closes_us) == (
        stretch.printer,
        stretch.run,
        stretch.channel,
        stretch.opens_us,
        stretch.closes_us,
    )


async def _add_facts(reads: Reads, evidence: Evidence) -> None:
    current = await reads.open_run(evidence.printer)
    for back_us in LOOK_BACK_US:
        facts: list[Fact] = [] if current is None else [current.fact]
        async for stored in reads.facts(evidence.printer, evidence.from_us - back_us):
            if _is_beyond(evidence, stored.fact):
                break
            facts.append(stored.fact)
        _sort_in(evidence, facts)
        if any(plateau.first_received_us <= evidence.from_us for plateau in evidence.plateaus):
            return


def _is_beyond(evidence: Evidence, fact: Fact) -> bool:
    return (
        isinstance(fact, PlateauRead) and evidence.to_us is not None and instant_us(fact) > evidence.to_us + LOOK_ON_US
    )


def _sort_in(evidence: Evidence, facts: list[Fact]) -> None:
    plateaus = sorted(
        (one.plateau for one in facts if isinstance(one, PlateauRead)), key=lambda one: one.first_received_us
    )
    before = [one for one in plateaus if one.first_received_us <= evidence.from_us]
    after = [one for one in plateaus if one.first_received_us > evidence.from_us]
    end_us = evidence.to_us
    evidence.plateaus = before[-1:] + [one for one in after if end_us is None or one.first_received_us <= end_us]
    beyond = (one for one in after if end_us is not None and one.first_received_us > end_us)
    evidence.next_plateau = next(beyond, None)
    silences = sorted((one.silence for one in facts if isinstance(one, ReadFailed)), key=lambda one: one.first_sent_us)
    evidence.silences = [
        one
        for one in silences
        if one.last_received_us >= evidence.from_us and (end_us is None or one.first_sent_us <= end_us)
    ]
    jobs = [one for one in facts if isinstance(one, JobCounted) and _near(evidence, one.sent_us)]
    evidence.jobs = sorted(jobs, key=lambda one: (one.sent_us, one.key))
    notices = {one.origin.key for one in evidence.starts}
    answers = [one for one in facts if isinstance(one, ReleaseAnswered) and one.notice in notices]
    evidence.answers = sorted(answers, key=lambda one: one.at_us)
    badges = [one for one in facts if isinstance(one, BadgePresented) and _is_before(evidence, one)]
    evidence.badges = sorted(badges, key=lambda one: (one.origin.at_us, one.origin.id))


def _is_before(evidence: Evidence, badge: BadgePresented) -> bool:
    """Presented shortly before the release's start, as far back as the policy looks or a little further."""
    within_us = max(BADGES_WITHIN_US, evidence.policy.badge_within_us)
    return evidence.started_us - within_us <= badge.origin.at_us <= evidence.started_us


def _near(evidence: Evidence, at_us: int) -> bool:
    return evidence.from_us <= at_us and (evidence.to_us is None or at_us <= evidence.to_us)


def is_about(finding: Finding, key: ReleaseKey) -> bool:
    """Whether the finding is about this release alone: neither about several, nor about pages that may be its own."""
    named = [one.kind for one in finding.evidence if one.release == key]
    return finding.releases == (key,) and not (named and all(kind in PERHAPS for kind in named))
