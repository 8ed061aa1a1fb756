"""Which of a printer's counters are billed: standard, imaging and makers' counters are one kind of source.

A total that stands at 0 beside counters that live loses. A contradiction costs a doubtful mapping its place. Where two
totals disagree, the standard's is read and it is said; the other stays a witness.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pagereeve.domain.facts.reading import Unit
from pagereeve.meters.discovery.channels import NO_MODULUS, ChannelFigure, PinnedChannel
from pagereeve.meters.discovery.consistency import (
    SLACK_PAGES,
    ConsistencyVerdict,
    ShownCount,
    alike,
    check,
    slack,
)
from pagereeve.meters.discovery.units import KnownUnit

# Whoever counts any of these has printed.
_LIVING: Final = frozenset({"total", "mono", "colour", "prints", "copies", "faxes", "sheets", "duplex", "datastream"})

# Counted to be held against others, and never billed.
_WITNESSES: Final = frozenset({"datastream", "print-sheets"})
# The source of prtMarkerLifeCount.
_MARKERS: Final = "Printer-MIB"
# What a ticket can be held against.
_COMPARABLE: Final = frozenset({"total", "prints", "sheets"})


@dataclass(frozen=True, slots=True)
class Candidate:
    """A channel that the printer answers. ``known`` is its unit and how that is known, ``said`` the agent's word."""

    channel: PinnedChannel
    figure: ChannelFigure
    known: KnownUnit
    said: str

    @property
    def unit(self) -> Unit | None:
        """The unit, None where nobody knows it."""
        return None if self.known.unit is Unit.UNKNOWN else self.known.unit

    @property
    def label(self) -> str:
        return f"{self.channel.name} {self.figure.value} by {', '.join(self.channel.objects)} ({self.channel.source})"

    @property
    def hearsay(self) -> bool:
        return self.channel.rests_on == "hearsay"

    def agrees(self, other: Candidate) -> bool:
        """Whether the two could count the same pages in the same unit."""
        return abs(self.figure.value - other.figure.value) <= slack(max(self.figure.value, other.figure.value))


@dataclass(slots=True)
class Choice:
    """``chosen`` has one candidate a channel; ``witnesses`` are counted and not billed, the best first.

    ``refused`` count no pages, or mean something else than they are said to.
    """

    chosen: list[Candidate] = field(default_factory=list)
    witnesses: list[Candidate] = field(default_factory=list)
    refused: list[Candidate] = field(default_factory=list)
    checks: list[ConsistencyVerdict] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def comparable(self) -> bool:
        """Whether a ticket can be held against what was chosen."""
        return any(one.channel.name in _COMPARABLE for one in self.chosen)


def choose(candidates: Sequence[Candidate]) -> Choice:
    """One candidate a channel, in the order in which they were found."""
    choice = Choice()
    living = _without_dead(_of_pages(candidates, choice), choice)
    choice.chosen = _one_each(living)
    while failed := [verdict for verdict in checked(choice.chosen) if not verdict.passed]:
        choice.checks += failed
        living = _without_blamed(living, failed, choice)
        choice.chosen = _one_each(living)
    choice.checks += checked(choice.chosen)
    choice.witnesses += _others(living, choice.chosen)
    choice.witnesses += [one for one in choice.chosen if one.channel.name in _WITNESSES]
    choice.chosen = [one for one in choice.chosen if one.channel.name not in _WITNESSES]
    choice.witnesses.sort(key=lambda one: (one.channel.name != "total", one.channel.name not in _WITNESSES))
    _note_totals(choice)
    return choice


def checked(chosen: Sequence[Candidate]) -> list[ConsistencyVerdict]:
    """Every comparison of the channels with one another."""
    return check({one.channel.name: ShownCount(one.figure.value, one.unit, one.channel.source) for one in chosen})


def _others(living: Sequence[Candidate], chosen: Sequence[Candidate]) -> list[Candidate]:
    """What is not billed: one candidate of each source and channel, as a profile's further mappings of a channel stand
    in for one another; but all markers, which are counters of their own.
    """
    taken = {(one.channel.source, one.channel.name) for one in chosen}
    others: dict[tuple[str, str], list[Candidate]] = {}
    for one in living:
        others.setdefault((one.channel.source, one.channel.name), []).append(one)
    kept: list[Candidate] = []
    for place, ones in others.items():
        if place[0] == _MARKERS:
            kept += [one for one in ones if one not in chosen]
        elif place not in taken:
            kept.append(_part(ones))
    return kept


def _of_pages(candidates: Sequence[Candidate], choice: Choice) -> list[Candidate]:
    """What counts pages; where nothing that a ticket can be held against does, all, so that it can be said why."""
    pages = [one for one in candidates if one.known.pages]
    if not any(one.channel.name in _COMPARABLE for one in pages):
        return list(candidates)
    choice.refused = [one for one in candidates if not one.known.pages]
    choice.notes += [f"{one.label} is not used: its unit is {one.said}" for one in choice.refused]
    return pages


def _without_dead(candidates: list[Candidate], choice: Choice) -> list[Candidate]:
    """A total at 0 beside counters that moved is dead: a new printer has all of them at 0."""
    if not any(one.channel.name in _LIVING and one.figure.value > SLACK_PAGES for one in candidates):
        return candidates
    living = []
    for one in candidates:
        if one.channel.name == "total" and one.figure.value == 0:
            choice.notes.append(f"{one.label} is not used: it stands at 0 while others have counted")
            choice.witnesses.append(one)
        else:
            living.append(one)
    return living


def _one_each(candidates: Sequence[Candidate]) -> list[Candidate]:
    named: dict[str, list[Candidate]] = {}
    for one in candidates:
        named.setdefault(one.channel.name, []).append(one)
    chosen = [_total(ones) if name == "total" else _part(ones) for name, ones in named.items()]
    if "total" not in named and (made := _made_of_colours(chosen)) is not None:
        chosen.append(made)
    return chosen


def _total(ones: Sequence[Candidate]) -> Candidate:
    """The standard's, unless nobody knows its unit and one that agrees with it is known better."""
    first, *rest = sorted(ones, key=lambda one: one.hearsay)
    if first.unit is not None:
        return first
    return next((one for one in rest if one.unit is not None and not one.hearsay and one.agrees(first)), first)


def _part(ones: Sequence[Candidate]) -> Candidate:
    """What has moved before what stands at 0, what is proven before hearsay, then the first."""
    return min(ones, key=lambda one: (one.figure.value == 0, one.hearsay))


def _made_of_colours(chosen: Sequence[Candidate]) -> Candidate | None:
    """A total where a printer has none that lives: black and colour of one source, in one known unit, added up."""
    by_name = {one.channel.name: one for one in chosen}
    mono, colour = by_name.get("mono"), by_name.get("colour")
    if mono is None or colour is None or mono.channel.source != colour.channel.source:
        return None
    if mono.unit is None or mono.unit is not colour.unit or mono.hearsay or colour.hearsay:
        return None
    alike_moduli = mono.channel.term_modulus == colour.channel.term_modulus
    channel = replace(
        mono.channel,
        name="total",
        terms=tuple(dict.fromkeys((*mono.channel.terms, *colour.channel.terms))),
        modulus=NO_MODULUS,
        term_modulus=mono.channel.term_modulus if alike_moduli else NO_MODULUS,
        why=f"black and colour of {mono.channel.source} added up, since no total of the printer moves",
    )
    value = mono.figure.value + colour.figure.value
    return Candidate(channel, ChannelFigure(value), mono.known, mono.said)


def _without_blamed(
    candidates: list[Candidate], failed: Sequence[ConsistencyVerdict], choice: Choice
) -> list[Candidate]:
    """Hearsay falls alone. Else a contradiction makes the whole mapping doubtful: all of the same source goes.

    A source whose own total fits its own parts tells another story, not nonsense: it stays as a witness.
    """
    blamed = {name for verdict in failed for name in verdict.culprits}
    culprits = [one for one in choice.chosen if one.channel.name in blamed]
    texts = "; ".join(verdict.text for verdict in failed)
    told = [one for one in culprits if one.hearsay and one.channel.name != "total"]
    if told:
        names = ", ".join(f"{one.channel.source}'s {one.channel.name}" for one in told)
        choice.notes.append(f"{names} rests on hearsay and is not used, since {texts}")
        fallen = {(one.channel.source, one.channel.name) for one in told}
        choice.refused += [one for one in candidates if (one.channel.source, one.channel.name) in fallen]
        return [one for one in candidates if (one.channel.source, one.channel.name) not in fallen]
    sources = {one.channel.source for one in culprits}
    choice.notes.append(f"{', '.join(sorted(sources))} is not used, since {texts}")
    for source in sorted(sources):
        own = [one for one in candidates if one.channel.source == source]
        (choice.witnesses if _fits_itself(own) else choice.refused).extend(own)
    return [one for one in candidates if one.channel.source not in sources]


def _fits_itself(own: Sequence[Candidate]) -> bool:
    chosen = _one_each(own)
    verdicts = checked(chosen)
    return any(one.channel.name == "total" for one in own) and all(verdict.passed for verdict in verdicts)


def _note_totals(choice: Choice) -> None:
    """Two totals that can't both be right."""
    used = next((one for one in choice.chosen if one.channel.name == "total"), None)
    if used is None:
        return
    for other in choice.witnesses:
        strange = other.channel.source != used.channel.source and other.figure.value > 0
        if other.channel.name == "total" and strange and alike(used.unit, other.unit) and not used.agrees(other):
            choice.notes.append(
                f"two totals disagree: {used.figure.value} ({used.channel.source}) is read, and"
                f" {other.figure.value} ({other.channel.source}) is a witness; the panel may show which is right"
            )
