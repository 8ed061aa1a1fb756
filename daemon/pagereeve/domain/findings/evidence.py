"""Evidence, made: a function for each thing that is stated, and here alone is decided what is personal.

Personal is whatever names a person, and whatever a sender words freely: queue, job, note, title. Names by which things
are found again are not: those of printers, gateways, readers, sources, releases and events.
"""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.domain.brackets.continuity import Step
from pagereeve.domain.brackets.timeline import Again
from pagereeve.domain.facts.facts import (
    BadgeOutcome,
    CounterChosen,
    Decided,
    FactDamaged,
    GatewayChecked,
    LossAccepted,
    Origin,
    PrinterNoted,
    ReleaseStarted,
    SiteChecked,
)
from pagereeve.domain.facts.jobs import JobCounted
from pagereeve.domain.facts.reading import Count, Plateau, Silence, Unit
from pagereeve.domain.ledger import Evidence, EvidenceKind, Grade, Interval, ReleaseKey, Stretch, Value

Kind = EvidenceKind


def _made(kind: Kind, release: ReleaseKey | None = None, *, personal: bool = False, **values: Value | None) -> Evidence:
    known = tuple(sorted((name, value) for name, value in values.items() if value not in (None, "", ())))
    return Evidence(kind, known, release, personal)


# What a finding says in one sentence: never personal.


def count_differs(stretch: Stretch, expected: Interval | None, hints: Sequence[str]) -> Evidence:
    least, most = (None, None) if expected is None else (expected.least, expected.most)
    return _made(
        Kind.COUNT_DIFFERS,
        counted=stretch.counted,
        unit=stretch.unit.value,
        least=least,
        most=most,
        releases=len(stretch.releases),
        hints=tuple(hints),
    )


def count_passed(counted: int, unit: Unit, expected: Interval, releases: int) -> Evidence:
    return _made(
        Kind.COUNT_PASSED,
        counted=counted,
        unit=unit.value,
        least=expected.least,
        most=expected.most,
        releases=releases,
    )


def colour_under_mono(pages: int, unit: Unit, releases: int) -> Evidence:
    return _made(Kind.COLOUR_UNDER_MONO, pages=pages, unit=unit.value, releases=releases)


def no_count(releases: int, grade: Grade | None, hints: Sequence[str] = ()) -> Evidence:
    grade_name = None if grade is None else grade.value
    return _made(Kind.NO_COUNT, releases=releases, grade=grade_name, hints=tuple(hints))


def gap_counted(pages: int, unit: Unit, *, after_power_off: bool) -> Evidence:
    return _made(Kind.GAP_COUNTED, pages=pages, unit=unit.value, after_power_off=int(after_power_off))


def run_ended(
    step: Step,
    before: Plateau,
    after: Plateau,
    lost: int | None,
    channels: Sequence[str] = (),
    part: tuple[Count, Count] | None = None,
) -> Evidence:
    """``lost``: so many pages before a restart may be counted twice. ``channels``: those whose own run it is, where the
    others went on. ``part``: what one of the counters showed that are added up, where it alone ended the run.
    """
    was, now = (None, None) if part is None else part
    return _made(
        Kind.RUN_ENDED,
        step=step.value,
        before=_counts(before, channels),
        after=_counts(after, channels),
        lost=lost,
        channels=tuple(channels),
        part=None if now is None else now.object,
        part_before=None if was is None else was.value,
        part_after=None if now is None else now.value,
    )


def reads_fail(silences: Sequence[Silence], waiting: int) -> Evidence:
    """Reads that still fail. The last silence may still grow, and evidence may not: only its beginning is stated."""
    return _made(
        Kind.READS_FAIL,
        reasons=_reasons(silences),
        since_us=silences[0].first_sent_us,
        waiting=waiting,
        gateway=silences[0].gateway,
    )


def reads_failed(silences: Sequence[Silence], waiting: int) -> Evidence:
    return _made(
        Kind.READS_FAILED,
        reasons=_reasons(silences),
        tries=sum(silence.count for silence in silences),
        from_us=silences[0].first_sent_us,
        to_us=silences[-1].last_received_us,
        waiting=waiting,
        gateway=silences[0].gateway,
    )


def _reasons(silences: Sequence[Silence]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(one.reason.value for one in silences))


def event_differs(source: str, event: str) -> Evidence:
    return _made(Kind.EVENT_DIFFERS, event=event, source=source)


def events_differ(source: str, count: int, *, at_least: bool) -> Evidence:
    """Of one source, or where none is named of several. ``at_least``: there may be more than are counted."""
    return _made(Kind.EVENT_DIFFERS, count=count, source=source, at_least=int(at_least))


def not_registered(printer: str) -> Evidence:
    return _made(Kind.NOT_REGISTERED, printer=printer)


def jobs_disagree(stretch: Stretch) -> Evidence:
    return _made(Kind.JOBS_DISAGREE, counted=stretch.counted, unit=stretch.unit.value, releases=len(stretch.releases))


def job_without_release(job: JobCounted) -> Evidence:
    return _made(Kind.JOB_WITHOUT_RELEASE, door=job.door, job=job.job)


def job_told(job: JobCounted) -> Evidence:
    """The printer's number, its kinds of work and its way in: nothing of it names a person."""
    began = job.began
    return _made(
        Kind.JOB_TOLD,
        channel=job.channel,
        counted=job.counts.impressions,
        job=job.job,
        service=job.service,
        since_us=None if began is None else began.from_us,
        until_us=None if began is None else began.until_us,
    )


def windows_wait(releases: int, since_us: int, why: str) -> Evidence:
    return _made(Kind.WINDOWS_WAIT, releases=releases, since_us=since_us, why=why)


def windows_waited(releases: int, since_us: int, until_us: int) -> Evidence:
    return _made(Kind.WINDOWS_WAITED, releases=releases, since_us=since_us, until_us=until_us)


def restarted() -> Evidence:
    return _made(Kind.RESTARTED)


def started_again(again: Again) -> Evidence:
    return _made(Kind.STARTED_AGAIN, again=again)


def no_end() -> Evidence:
    return _made(Kind.NO_END)


def no_badge() -> Evidence:
    return _made(Kind.NO_BADGE)


def clock_off(origin: Origin) -> Evidence:
    return _made(
        Kind.CLOCK_OFF,
        source=origin.source,
        occurred_us=origin.occurred_us,
        received_us=origin.received_us,
        clock=origin.clock,
    )


def tickets_incomplete(source: str, member: str, releases: int) -> Evidence:
    """``member`` of a ticket is never said by the source; so many releases of it counted a whole multiple."""
    return _made(Kind.TICKETS_INCOMPLETE, source=source, member=member, releases=releases)


def bias(pages: int, brackets: int) -> Evidence:
    return _made(Kind.BIAS, pages=pages, brackets=brackets)


def stands_still(count: int, level: int) -> Evidence:
    return _made(Kind.STANDS_STILL, count=count, level=level)


def state_not_believed() -> Evidence:
    return _made(Kind.STATE_NOT_BELIEVED)


def unit_assumed(channel: str, counter: str, model: str) -> Evidence:
    """``counter`` is its object, ``model`` the agent's object id: printers that share it are told of together."""
    return _made(Kind.UNIT_ASSUMED, channel=channel, object=counter, model=model)


def unit_contradicted(channel: str, counter: str, given: Unit, unit: Unit) -> Evidence:
    return _made(Kind.UNIT_CONTRADICTED, channel=channel, object=counter, given=given.value, unit=unit.value)


def witnesses_disagree(
    *,
    channel: str,
    billed: str,
    counted: int,
    witness: str,
    moved: int,
    brackets: int,
    released: Interval,
    fits: str,
) -> Evidence:
    """Over so many brackets the ``billed`` counter counted so many, and the ``witness`` moved by so many; ``fits`` says
    which of them is what was released.
    """
    return _made(
        Kind.WITNESSES_DISAGREE,
        channel=channel,
        billed=billed,
        counted=counted,
        witness=witness,
        moved=moved,
        brackets=brackets,
        least=released.least,
        most=released.most,
        fits=fits,
    )


def counter_chosen(chosen: CounterChosen, at_us: int) -> Evidence:
    return _made(Kind.COUNTER_CHOSEN, at_us=at_us, channel=chosen.channel, object=chosen.object, reason=chosen.reason)


def pattern(hypothesis: str, explained: int, differing: int, brackets: int) -> Evidence:
    return _made(Kind.PATTERN, hypothesis=hypothesis, explained=explained, differing=differing, brackets=brackets)


def facts_lost(accepted: LossAccepted) -> Evidence:
    return _made(Kind.FACTS_LOST, loss=accepted.loss, acknowledged=accepted.acknowledged, stored=accepted.stored)


def fact_damaged(damaged: FactDamaged) -> Evidence:
    return _made(Kind.FACT_DAMAGED, number=damaged.number, fact=damaged.kind, at_us=damaged.at_us)


def receiver_gone(receiver: str, target: str) -> Evidence:
    """``target`` is a digest of its settings."""
    return _made(Kind.RECEIVER_GONE, receiver=receiver, target=target)


def gateway_down(checked: GatewayChecked) -> Evidence:
    return _made(Kind.GATEWAY_DOWN, gateway=checked.gateway, check=checked.check, detail=checked.why)


def site_behind(checked: SiteChecked) -> Evidence:
    known_us = checked.known_us or None
    return _made(Kind.SITE_BEHIND, site=checked.site, state=checked.state, known_us=known_us, why=checked.why)


def no_owner() -> Evidence:
    return _made(Kind.NO_OWNER)


def flooded(badges: int, within_s: int) -> Evidence:
    """So many badges that nobody owns within so long."""
    return _made(Kind.FLOODED, badges=badges, within_s=within_s)


def two_places(before: str, after: str, apart_ms: int) -> Evidence:
    """``before`` and ``after`` name gateways."""
    return _made(Kind.TWO_PLACES, before=before, after=after, apart_ms=apart_ms)


def written_otherwise(badges: int) -> Evidence:
    return _made(Kind.WRITTEN_OTHERWISE, badges=badges)


def noisy(refused: int, frames: int, reason: str) -> Evidence:
    """``reason`` is the form's own word for what it refused last."""
    return _made(Kind.NOISY, refused=refused, frames=frames, reason=reason)


def nothing_came(others: int, of: str, since_us: int) -> Evidence:
    """So many of another feed's notices (``of``: badges, releases) since then, and none of this feed."""
    return _made(Kind.NOTHING_CAME, others=others, of=of, since_us=since_us)


def other_owner() -> Evidence:
    return _made(Kind.OTHER_OWNER)


def elsewhere(gateway: str, home: str) -> Evidence:
    return _made(Kind.ELSEWHERE, gateway=gateway, home=home)


def clock_stepped(before_us: int, wall_us: int) -> Evidence:
    """The machine's wall clock showed the second where the first was to be expected."""
    size_ms = (wall_us - before_us) // 1_000
    return _made(Kind.CLOCK_STEPPED, before_us=before_us, wall_us=wall_us, size_ms=size_ms)


def clock_not_agreed(wall_us: int, dated_us: int) -> Evidence:
    """A boot's clock shows the first, and its dates go on from the second."""
    return _made(Kind.CLOCK_NOT_AGREED, wall_us=wall_us, dated_us=dated_us)


# What shows it.


def cuts(stretch: Stretch) -> Evidence:
    return _made(
        Kind.CUTS,
        channel=stretch.channel,
        run=stretch.run,
        before=stretch.before,
        opens_us=stretch.opens_us,
        after=stretch.after,
        closes_us=stretch.closes_us,
    )


def counted_so_far(channel: str, before: int, until_us: int, counted: int, at_us: int) -> Evidence:
    return _made(Kind.COUNTED_SO_FAR, channel=channel, before=before, until_us=until_us, counted=counted, at_us=at_us)


def release(key: ReleaseKey) -> Evidence:
    return Evidence(Kind.RELEASE, (), key)


def first_of(key: ReleaseKey) -> Evidence:
    return Evidence(Kind.FIRST, (), key)


def last_of(key: ReleaseKey) -> Evidence:
    return Evidence(Kind.LAST, (), key)


def perhaps_missed(key: ReleaseKey) -> Evidence:
    """Stray pages that may be this release's, which missed as many."""
    return Evidence(Kind.PERHAPS_MISSED, (), key)


def perhaps_again(key: ReleaseKey) -> Evidence:
    """Stray pages that may be this release once more, which counted as many."""
    return Evidence(Kind.PERHAPS_AGAIN, (), key)


def perhaps_at(key: ReleaseKey, printer: str, finding: str, pages: int) -> Evidence:
    """Stray pages at a printer, by the finding about them, that may be this release's."""
    return _made(Kind.PERHAPS_AT, key, printer=printer, finding=finding, pages=pages)


def release_counted(key: ReleaseKey, counted: int, least: int) -> Evidence:
    return _made(Kind.RELEASE_COUNTED, key, counted=counted, least=least)


def as_expected(brackets: int) -> Evidence:
    return _made(Kind.AS_EXPECTED, brackets=brackets)


def reason(name: str) -> Evidence:
    """``name`` is one of the projection's own reasons (reports.sentences)."""
    return _made(Kind.REASON, reason=name)


def reading(side: str, plateau: Plateau, at_us: int) -> Evidence:
    """The last reading ``before``, the first ``after``: at one instant, as a plateau may grow, and evidence may not."""
    sight = plateau.sight
    return _made(
        Kind.READING,
        side=side,
        counts=_counts(plateau),
        serial=sight.serial,
        object_id=sight.object_id,
        state=sight.state.value,
        errors=tuple(sight.errors),
        responder=sight.responder,
        at_us=at_us,
    )


def readings(before: Plateau, after: Plateau) -> list[Evidence]:
    """The last reading before and the first one after."""
    return [reading("before", before, before.last_received_us), reading("after", after, after.first_received_us)]


def _counts(plateau: Plateau, channels: Sequence[str] = ()) -> tuple[tuple[str, int], ...]:
    """Of the channels that are named, or of all."""
    return tuple((name, count.value) for name, count in plateau.sight.counts if not channels or name in channels)


def silence(one: Silence, *, growing: bool = False) -> Evidence:
    """``growing``: neither its end nor its length is known yet."""
    return _made(
        Kind.SILENCE,
        reason=one.reason.value,
        from_us=one.first_sent_us,
        to_us=None if growing else one.last_received_us,
        tries=None if growing else one.count,
        responder=one.responder,
        detail=one.detail,
        gateway=one.gateway,
    )


def event(name: str) -> Evidence:
    return _made(Kind.EVENT, event=name)


def kept_aside(name: str, kind: str, digest: str) -> list[Evidence]:
    return [event(name), _made(Kind.EVENT_TYPE, type=kind), _made(Kind.DIGEST, digest=digest)]


def presented(at_us: int, gateway: str = "") -> Evidence:
    return _made(Kind.PRESENTED, at_us=at_us, gateway=gateway)


def answered(outcome: BadgeOutcome) -> Evidence:
    """What a release server answered to a badge: one of a closed set of words, so none of its own."""
    return _made(Kind.ANSWERED, outcome=outcome)


def more(count: int) -> Evidence:
    """There is more of it than is kept."""
    return _made(Kind.MORE, count=count)


# What names a person, or is a sender's own words.


def job(started: ReleaseStarted) -> Evidence:
    return _made(Kind.JOB, personal=True, job=started.job, owner=started.owner)


def owners(badge_owner: str, job_owner: str) -> Evidence:
    return _made(Kind.OWNERS, personal=True, badge_owner=badge_owner, job_owner=job_owner)


def style(resembles: str) -> Evidence:
    """How badges that nobody owns would have to be written to be somebody's."""
    return _made(Kind.STYLE, personal=True, style=resembles)


def perhaps_read(slip: str) -> Evidence:
    """The number would be exactly one known badge's if the reader had made this slip."""
    return _made(Kind.PERHAPS_READ, personal=True, slip=slip)


def noted(note: PrinterNoted) -> Evidence:
    return _made(Kind.NOTED, personal=True, at_us=note.origin.at_us, note=note.note, text=note.text)


def decided(decision: Decided) -> Evidence:
    return _made(
        Kind.DECIDED,
        personal=True,
        at_us=decision.origin.at_us,
        action=decision.action,
        by=decision.by,
        reason=decision.reason,
        text=decision.text,
        printer=decision.at,
    )
