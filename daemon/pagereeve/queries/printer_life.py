"""What happened to a printer in a span of time: its meter, releases, badges, failed reads, findings. Always bounded.

A short span is told fact by fact. Of one with more facts than FACTS_MAX the meter's level at SPANS + 1 instants is
told, as its last point of rest before each has it, and by how much it rose from one to the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

from pagereeve.domain.brackets.continuity import Step
from pagereeve.domain.brackets.prints import SHEETS, TOTAL
from pagereeve.domain.brackets.runs import PolicyAt, split
from pagereeve.domain.facts.facts import (
    BadgePresented,
    Fact,
    PlateauRead,
    PrinterNoted,
    ReadFailed,
    ReleaseEnded,
    ReleaseStarted,
    instant_us,
)
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Plateau, Silence
from pagereeve.domain.ledger import Finding, ReleaseKey, Stretch
from pagereeve.domain.projection.resume_point import ResumePoint
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.findings import FindingFilter
from pagereeve.ports.reads import Reads
from pagereeve.ports.resume_points import resume_point_before
from pagereeve.queries.readings_around import readings_around

FACTS_MAX: Final = 1_500
SPANS: Final = 48
FINDINGS_MAX: Final = 200
# What began before the span and reaches into it (a release, failed reads) is looked for so far back: less where a busy
# printer has too many facts there.
BACKS_US: Final = (6 * 3_600 * SECOND_US, 600 * SECOND_US)
# A release that began in the span may end later.
ON_US: Final = 600 * SECOND_US


@dataclass(frozen=True, slots=True)
class Level:
    """The meter showed ``value`` from ``from_us`` to ``to_us``. ``joined``: it is of the same run as the one before."""

    from_us: int
    to_us: int
    value: int
    joined: bool


@dataclass(frozen=True, slots=True)
class Restart:
    """The meter or its agent began again. ``step`` is what became of the count; None: nothing."""

    at_us: int
    step: Step | None


@dataclass(frozen=True, slots=True)
class ReleaseSpan:
    """``ended_us`` is its end notice's; None: none came. Nobody's name is in it."""

    key: ReleaseKey
    started_us: int
    ended_us: int | None


@dataclass(frozen=True, slots=True)
class Rise:
    """By how much the meter rose between two points of rest; None where they can't be subtracted, or one is lacking."""

    from_us: int
    to_us: int
    pages: int | None


@dataclass(slots=True)
class Life:
    """``coarse``: there were too many facts; then ``rises`` stand for all that is told fact by fact otherwise.

    ``channel`` is the one whose meter is shown. ``findings_left_out``: more than FINDINGS_MAX began in the span.
    """

    printer: str
    from_us: int
    to_us: int
    channel: str = TOTAL
    coarse: bool = False
    levels: Sequence[Level] = ()
    stretches: Sequence[Stretch] = ()
    restarts: Sequence[Restart] = ()
    releases: list[ReleaseSpan] = field(default_factory=list)
    badges_us: list[int] = field(default_factory=list)
    silences: list[Silence] = field(default_factory=list)
    notes: list[PrinterNoted] = field(default_factory=list)
    findings: Sequence[Finding] = ()
    findings_left_out: bool = False
    rises: Sequence[Rise] = ()


async def life_of(held: Reads, printer: str, from_us: int, to_us: int) -> Life:
    """``held`` is of one moment. The span is half open, and its ends are not equal."""
    life = Life(printer, from_us, to_us)
    wanted = FindingFilter(printer=printer, from_us=from_us, to_us=to_us)
    page = await held.findings_page(wanted, FINDINGS_MAX)
    life.findings = sorted(page.findings, key=lambda one: one.since_us)
    life.findings_left_out = page.after is not None
    rules = Rules.of([stored.fact for stored in await held.standing_facts(printer)])
    life.notes = [one for one in rules.notes if from_us <= one.origin.at_us < to_us]
    facts = await _facts(held, life)
    if facts is None:
        life.coarse = True
        life.rises = await _rises(held, life)
    else:
        await _tell(held, life, facts, rules)
    return life


async def first_us(held: Reads, printer: str) -> int | None:
    """When the first of its facts begins to matter; None where nothing is known of it."""
    async for stored in held.facts(printer):
        return instant_us(stored.fact)
    current = await held.open_run(printer)
    return None if current is None else instant_us(current.fact)


async def _facts(held: Reads, life: Life) -> list[Fact] | None:
    """Of the span and a little around it; None where there are more than FACTS_MAX."""
    own = await _between(held, life.printer, life.from_us, life.to_us + ON_US, FACTS_MAX)
    if own is None:
        return None
    for back_us in BACKS_US:
        before = await _between(held, life.printer, max(0, life.from_us - back_us), life.from_us, FACTS_MAX - len(own))
        if before is not None:
            own = [*(one for one in before if instant_us(one) < life.from_us), *own]
            break
    current = await held.open_run(life.printer)
    return own if current is None else [*own, current.fact]


async def _between(held: Reads, printer: str, from_us: int, to_us: int, most: int) -> list[Fact] | None:
    """None where there are more than ``most``. Readings are stored in order of time: the first beyond ends the search,
    so events that came late may be among them.
    """
    facts: list[Fact] = []
    async for stored in held.facts(printer, from_us):
        if isinstance(stored.fact, PlateauRead) and instant_us(stored.fact) >= to_us:
            break
        if len(facts) == most:
            return None
        facts.append(stored.fact)
    return facts


async def _tell(held: Reads, life: Life, facts: Sequence[Fact], rules: Rules) -> None:
    plateaus = sorted(
        (one.plateau for one in facts if isinstance(one, PlateauRead) and one.plateau.first_received_us < life.to_us),
        key=lambda one: one.first_received_us,
    )
    before = [one for one in plateaus if one.first_received_us <= life.from_us]
    if not before:
        # A quiet printer: its last reading lies farther back than facts were looked for.
        around = await readings_around(held, life.printer, life.from_us, life.from_us)
        before = [] if around.before is None else [around.before]
    shown = [*before[-1:], *(one for one in plateaus if one.first_received_us > life.from_us)]
    life.channel = _channel(shown)
    life.levels, life.restarts = meter_shown(shown, life.channel, rules.policy_at)
    life.restarts = [one for one in life.restarts if life.from_us <= one.at_us < life.to_us]
    near = await held.stretches(life.printer, life.from_us, life.to_us)
    life.stretches = [one for one in near if one.channel == life.channel]
    _events(life, facts)


def _channel(plateaus: Sequence[Plateau]) -> str:
    """The total; sheets or whatever is counted where the newest reading has none."""
    counts = plateaus[-1].sight.channels if plateaus else ()
    return next((one for one in (TOTAL, SHEETS, *counts) if one in counts), TOTAL)


def meter_shown(plateaus: Sequence[Plateau], channel: str, policy_at: PolicyAt) -> tuple[list[Level], list[Restart]]:
    """Readings as they were believed: one that nothing confirmed is left out."""
    levels: list[Level] = []
    restarts: list[Restart] = []
    for run in split(plateaus, policy_at).runs:
        for nth, sample in enumerate(run.samples):
            one = sample.plateau
            if nth == 0 and run.began is not None:
                restarts.append(Restart(one.first_received_us, run.began))
            elif sample.restarted:
                restarts.append(Restart(one.first_received_us, None))
            count = one.sight.count(channel)
            if count is not None:
                levels.append(Level(one.first_received_us, one.last_received_us, count.value, joined=nth > 0))
    return levels, restarts


def _events(life: Life, facts: Sequence[Fact]) -> None:
    ends = {
        ReleaseKey(one.origin.source, one.release): one.origin.at_us for one in facts if isinstance(one, ReleaseEnded)
    }
    for one in facts:
        match one:
            case ReleaseStarted():
                key = ReleaseKey(one.origin.source, one.release)
                ended_us = ends.get(key)
                span = ReleaseSpan(key, one.origin.at_us, ended_us)
                if span.started_us < life.to_us and (ended_us or span.started_us) >= life.from_us:
                    life.releases.append(span)
            case BadgePresented() if life.from_us <= one.origin.at_us < life.to_us:
                life.badges_us.append(one.origin.at_us)
            case ReadFailed() if (
                one.silence.first_sent_us < life.to_us and one.silence.last_received_us >= life.from_us
            ):
                life.silences.append(one.silence)
            case _:
                pass
    life.releases.sort(key=lambda one: one.started_us)
    life.badges_us.sort()
    life.silences.sort(key=lambda one: one.first_sent_us)


async def _rises(held: Reads, life: Life) -> list[Rise]:
    edges = [life.from_us + (life.to_us - life.from_us) * nth // SPANS for nth in range(SPANS + 1)]
    points = [await resume_point_before(held, life.printer, at_us, ResumePoint.from_json) for at_us in edges]
    channels = {channel for one in points if one is not None for channel, _ in one.totals}
    life.channel = next((one for one in (TOTAL, SHEETS) if one in channels), TOTAL)
    return [
        Rise(edges[nth], edges[nth + 1], _risen(life.channel, before, after))
        for nth, (before, after) in enumerate(pairwise(points))
    ]


def _risen(channel: str, before: ResumePoint | None, after: ResumePoint | None) -> int | None:
    """Totals count on across a counter's own wrap: within a run any two of them can be subtracted."""
    if before is None or after is None:
        return None
    own_runs = [dict(one.numbers).get(channel, one.run) for one in (before, after)]
    first, last = dict(before.totals).get(channel), dict(after.totals).get(channel)
    return None if first is None or last is None or own_runs[0] != own_runs[1] else last - first
