"""One printer's facts, sorted by kind and time, each once, whatever their order of arrival."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from pagereeve.domain.brackets.panel import panel_plateaus
from pagereeve.domain.facts.events import BADGE_PRESENTED, FINDING_DECIDED, PRINTER_NOTED, READING_NOTED
from pagereeve.domain.facts.facts import (
    REPLACED,
    BadgePresented,
    Conflict,
    Fact,
    FactDamaged,
    PlateauRead,
    ReadFailed,
    ReadingNoted,
    ReleaseAnswered,
    ReleaseEnded,
    ReleaseStarted,
)
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.jobs import JobCounted
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.facts.reading import Plateau, Silence
from pagereeve.domain.values.instants import SECOND_US

EventKey = tuple[str, str]
ReleaseName = tuple[str, str]
Again = Literal["echo", "repeat", "reuse"]
"""What a later start notice of a known release is: the same notice under another id, the same job let go once more, or
another job under a name that was used before (apple/cups#1582)."""

BESIDE_THE_COUNT: Final = frozenset(
    {
        *("read-failed", "job-counted", "policy", "settle-learned", "conflict", "release-answered"),
        *(BADGE_PRESENTED, PRINTER_NOTED, FINDING_DECIDED),
    }
)
"""Kinds of fact without which a bracket may still be judged."""
_STRENGTH: Final[tuple[Again, ...]] = ("reuse", "repeat", "echo")
# Two notices of one deed may bear times of two moments of it.
ECHO_WITHIN_US: Final = 2 * SECOND_US


@dataclass(slots=True)
class Timeline:
    """``ends`` is by the identity of the start notice that an end belongs to; ``answers`` by that of the notice that
    was answered, the earliest answer. ``starts`` are without those that others replace.
    """

    printer: str
    rules: Rules
    plateaus: list[Plateau] = field(default_factory=list)
    silences: list[Silence] = field(default_factory=list)
    starts: list[ReleaseStarted] = field(default_factory=list)
    ends: dict[EventKey, ReleaseEnded] = field(default_factory=dict)
    answers: dict[EventKey, ReleaseAnswered] = field(default_factory=dict)
    badges: list[BadgePresented] = field(default_factory=list)
    conflicts: list[Conflict] = field(default_factory=list)
    again: dict[EventKey, Again] = field(default_factory=dict)
    damaged: list[FactDamaged] = field(default_factory=list)
    jobs: list[JobCounted] = field(default_factory=list)
    _all_ends: list[ReleaseEnded] = field(default_factory=list)
    _latest_us: int = 0

    @classmethod
    def of(
        cls, printer: str, facts: Iterable[Fact], rules: Rules, again: Mapping[EventKey, Again] | None = None
    ) -> Timeline:
        """``again``: what start notices are whose release was started before, perhaps by one not among these."""
        timeline = cls(printer, rules)
        noted: list[ReadingNoted] = []
        for fact in facts:
            if isinstance(fact, ReadingNoted):
                noted.append(fact)
            else:
                timeline.add(fact)
        if noted:
            timeline.plateaus += panel_plateaus(noted, rules)
        timeline.plateaus.sort(key=lambda one: (one.first_received_us, one.last_received_us))
        timeline.silences.sort(key=lambda one: (one.first_sent_us, one.last_received_us))
        timeline.damaged.sort(key=lambda one: (one.at_us, one.number))
        timeline.starts.sort(key=lambda one: one.origin.order)
        timeline.again = strongest(started_again(timeline.starts), again or {})
        timeline._latest_us = max((one.origin.at_us for one in timeline.starts), default=0)
        timeline.starts = standing(timeline.starts, timeline._all_ends, timeline.again)
        timeline.ends = paired(timeline.starts, timeline._all_ends, timeline.again)
        return timeline

    def add(self, fact: Fact) -> None:
        match fact:
            case PlateauRead():
                self.plateaus.append(fact.plateau)
            case ReadFailed():
                self.silences.append(fact.silence)
            case JobCounted():
                self.jobs.append(fact)
            case ReleaseStarted():
                self.starts.append(fact)
            case ReleaseEnded():
                self._all_ends.append(fact)
            case ReleaseAnswered():
                self.answers[fact.notice] = min(fact, self.answers.get(fact.notice, fact), key=_answer_order)
            case BadgePresented():
                self.badges.append(fact)
            case Conflict():
                self.conflicts.append(fact)
            case FactDamaged():
                self.damaged.append(fact)
            case _:
                pass

    @property
    def horizon_us(self) -> int:
        """How far the facts reach: what the projection takes for *now*."""
        times = [plateau.last_received_us for plateau in self.plateaus]
        times += [silence.last_received_us for silence in self.silences]
        times += [self._latest_us]
        times += [ended.origin.at_us for ended in self._all_ends]
        times += [answered.at_us for answered in self.answers.values()]
        return max(times, default=0)

    def breaks_us(self) -> list[int]:
        """Instants of facts that can't be read, and that the count of pages may rest on."""
        return [one.at_us for one in self.damaged if one.kind not in BESIDE_THE_COUNT and not self._is_beside(one)]

    def _is_beside(self, damaged: FactDamaged) -> bool:
        """A figure of a panel, where a meter counts."""
        return damaged.kind == READING_NOTED and not self.rules.policy_at(damaged.at_us).by_panel

    def ended(self) -> Collection[ReleaseEnded]:
        """All end notices, those that lost to another one of the same release too."""
        return self._all_ends


def end_order(ended: ReleaseEnded) -> tuple[int, str, str]:
    return (ended.origin.at_us, ended.origin.id, ended.outcome)


def _answer_order(answered: ReleaseAnswered) -> tuple[int, str, str, int]:
    return (answered.at_us, answered.reading, answered.rest, answered.started_us)


def name_of(event: ReleaseStarted | ReleaseEnded) -> ReleaseName:
    return (event.origin.source, event.release)


def started_again(starts: Iterable[ReleaseStarted]) -> dict[EventKey, Again]:
    """Of start notices those whose release an earlier one of these started, and what they are."""
    by_name: dict[ReleaseName, list[ReleaseStarted]] = {}
    again: dict[EventKey, Again] = {}
    for started in sorted(starts, key=lambda one: one.origin.order):
        earlier = by_name.get(name_of(started))
        if earlier is None:
            by_name[name_of(started)] = [started]
            continue
        if any(one.origin.key == started.origin.key for one in earlier):
            continue
        again[started.origin.key] = _kinship(started, earlier)
        earlier.append(started)
    return again


def strongest(one: Mapping[EventKey, Again], other: Mapping[EventKey, Again]) -> dict[EventKey, Again]:
    """What is known from two sides: an earlier notice more can only make a later one more like it."""
    joined = dict(one)
    for key, again in other.items():
        joined[key] = max(again, joined.get(key, again), key=_STRENGTH.index)
    return joined


def _kinship(started: ReleaseStarted, earlier: Iterable[ReleaseStarted]) -> Again:
    owner = owner_key(started.owner)
    same_job = [one for one in earlier if one.job == started.job and owner_key(one.owner) == owner]
    if any(_is_echo(one, started) for one in same_job):
        return "echo"
    return "repeat" if same_job else "reuse"


def _is_echo(one: ReleaseStarted, other: ReleaseStarted) -> bool:
    near = abs(other.origin.at_us - one.origin.at_us) <= ECHO_WITHIN_US
    return near and (one.printer, one.ticket) == (other.printer, other.ticket)


def standing(
    starts: Sequence[ReleaseStarted], ends: Iterable[ReleaseEnded], again: Mapping[EventKey, Again]
) -> list[ReleaseStarted]:
    """The start notices that no other one replaces, with the echoes of those that are replaced gone too."""
    replaced = [one for one in ends if one.outcome == REPLACED]
    if not replaced:
        return list(starts)
    by_name: dict[ReleaseName, list[ReleaseStarted]] = {}
    for started in starts:
        by_name.setdefault(name_of(started), []).append(started)
    gone: set[EventKey] = set()
    for ended in replaced:
        named = by_name.get(name_of(ended), [])
        first = start_of(ended, [one for one in named if again.get(one.origin.key) != "echo"], again)
        if first is not None:
            gone.add(first.origin.key)
            gone |= {one.origin.key for one in named if again.get(one.origin.key) == "echo" and _is_echo(first, one)}
    return [one for one in starts if one.origin.key not in gone]


def paired(
    starts: Iterable[ReleaseStarted], ends: Iterable[ReleaseEnded], again: Mapping[EventKey, Again]
) -> dict[EventKey, ReleaseEnded]:
    """Each start notice's end: the earliest one from it on, and before the next start of the same name.

    An end that claims to be before its release's first start belongs to it all the same. Figures of progress are
    running totals (apple/cups#5571): of several end notices the largest number of pages counts.
    """
    by_name: dict[ReleaseName, list[ReleaseStarted]] = {}
    for started in starts:
        if again.get(started.origin.key) != "echo":
            by_name.setdefault(name_of(started), []).append(started)
    result: dict[EventKey, ReleaseEnded] = {}
    for ended in sorted((one for one in ends if one.outcome != REPLACED), key=end_order):
        started_by = start_of(ended, by_name.get(name_of(ended), ()), again)
        if started_by is not None:
            key = started_by.origin.key
            result[key] = _joined(result[key], ended) if key in result else ended
    return result


def start_of(
    ended: ReleaseEnded, starts: Collection[ReleaseStarted], again: Mapping[EventKey, Again]
) -> ReleaseStarted | None:
    """Of starts of its release's name, in order, the one that an end belongs to; None where that is not among them."""
    known = list(starts)
    place = bisect_right(known, ended.origin.at_us, key=lambda one: one.origin.at_us)
    if place:
        return known[place - 1]
    return known[0] if known and known[0].origin.key not in again else None


def _joined(first: ReleaseEnded, later: ReleaseEnded) -> ReleaseEnded:
    figures = [one.pages_sent for one in (first, later) if one.pages_sent is not None]
    return replace(first, pages_sent=max(figures, default=None))
