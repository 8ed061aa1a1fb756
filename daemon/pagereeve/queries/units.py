"""How well each printer's unit is known, and what a printer whose unit is proven says of its equals."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.brackets.units import is_unsure, judged_by
from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Count, Plateau, Unit, UnitGrade
from pagereeve.domain.patterns.units import COMPARED
from pagereeve.domain.values.instants import FOREVER_US
from pagereeve.ports.reads import Reads

# A registry's word for it: settings' unit_grade.
FROM_MODEL: Final = "inferred-from-model"


@dataclass(frozen=True, slots=True)
class UnitStanding:
    """By which unit a printer's next release will be judged, how that is known, and the agent's object id (``model``).

    Of several counters that tickets are compared with, the one that is known least. ``wording`` is what the agent says
    of its model and firmware (``wording_of``); empty where no reading has it. ``by_ipp``: it is read over IPP.
    """

    printer: str
    channel: str
    unit: Unit
    grade: UnitGrade
    model: str = ""
    wording: str = ""
    by_ipp: bool = False

    def may_equal(self, other: UnitStanding) -> bool:
        """The same object id, and the same words for model and firmware where both are known."""
        same = not self.wording or not other.wording or self.wording == other.wording
        return bool(self.model) and self.model == other.model and same


@dataclass(frozen=True, slots=True)
class ModelOffer:
    """Printers of one model run on an assumed unit, and of equals of theirs (``proven_by``) it is proven.

    ``described``: what all of their agents say of model and firmware is known, and the same.
    """

    model: str
    unit: Unit
    proven_by: tuple[str, ...]
    printers: tuple[str, ...]
    described: bool = False


def wording_of(description: str, serial: str) -> str:
    """A description without what differs from device to device: its own serial number, case and blanks."""
    text = description.replace(serial, "") if serial else description
    return " ".join(text.casefold().split())


ONE_BY_ONE_MAX: Final = 100
"""The runs of more printers are asked for together: of all that are read."""


async def units_of(reads: Reads, printers: Collection[str] | None = None) -> tuple[UnitStanding, ...]:
    """In order of their names; those without a good reading are left out. ``printers``: these alone."""
    if printers is None or len(printers) > ONE_BY_ONE_MAX:
        runs = {printer: run.fact async for printer, run in reads.open_runs()}
    else:
        known = {name: await reads.open_run(name) for name in sorted(printers)}
        runs = {name: run.fact for name, run in known.items() if run is not None}
    chosen = frozenset(runs if printers is None else printers)
    failing = [name for name, run in runs.items() if name in chosen and not isinstance(run, PlateauRead)]
    lasts = {name: read for name in failing if (read := await reads.last_read(name)) is not None}
    return await units_of_runs(reads, runs, lasts, chosen)


async def units_of_runs(
    reads: Reads,
    runs: Mapping[str, PlateauRead | ReadFailed],
    lasts: Mapping[str, PlateauRead],
    printers: Collection[str],
) -> tuple[UnitStanding, ...]:
    """The same of open runs, and of the last good readings where these failed, that are at hand."""
    found = []
    for printer, run in runs.items():
        if printer not in printers:
            continue
        read = run if isinstance(run, PlateauRead) else lasts.get(printer)
        standing = None if read is None else await _standing(reads, printer, read.plateau)
        if standing is not None:
            found.append(standing)
    return tuple(sorted(found, key=lambda one: one.printer))


async def _standing(reads: Reads, printer: str, plateau: Plateau) -> UnitStanding | None:
    counts = [(name, count) for name, count in plateau.sight.counts if name in COMPARED]
    if not counts:
        return None
    if any(is_unsure(count) for _, count in counts):
        rules = Rules.of([stored.fact for stored in await reads.standing_facts(printer)])
        counts = [(name, judged_by(name, count, rules, FOREVER_US)) for name, count in counts]
    channel, count = max(counts, key=lambda one: _rank(one[1]))
    sight = plateau.sight
    wording = wording_of(sight.description, sight.serial)
    return UnitStanding(printer, channel, count.unit, count.grade, sight.object_id, wording, count.by_ipp)


def _rank(count: Count) -> int:
    return tuple(UnitGrade).index(count.grade)


def assumed_by_model(known: Iterable[UnitStanding]) -> Mapping[str, tuple[str, ...]]:
    """Printers that run on an assumed unit, by model; the model with the most of them first."""
    groups: dict[str, list[str]] = {}
    for one in known:
        if one.grade is UnitGrade.ASSUMED:
            groups.setdefault(one.model, []).append(one.printer)
    ordered = sorted(groups.items(), key=lambda one: (-len(one[1]), one[0]))
    return {model: tuple(printers) for model, printers in ordered}


def model_offers(known: Iterable[UnitStanding]) -> tuple[ModelOffer, ...]:
    """What may be taken over from a proven equal. Where proofs of equals disagree, nothing is offered.

    Printers of one model and wording are compared once: a fleet of one model has thousands.
    """
    standings = list(known)
    alike: dict[tuple[str, str], list[UnitStanding]] = {}
    proven: dict[str, list[UnitStanding]] = {}
    for one in standings:
        if one.grade is UnitGrade.ASSUMED:
            alike.setdefault((one.model, one.wording), []).append(one)
        elif one.grade is UnitGrade.PROVEN and one.model:
            proven.setdefault(one.model, []).append(one)
    offers: dict[tuple[str, Unit, tuple[str, ...], bool], list[str]] = {}
    for model in assumed_by_model(standings):
        for (_, wording), printers in ((place, some) for place, some in alike.items() if place[0] == model):
            by = [one for one in proven.get(model, ()) if printers[0].may_equal(one)]
            if len({one.unit for one in by}) == 1:
                described = bool(wording) and all(one.wording for one in by)
                offer = (model, by[0].unit, tuple(one.printer for one in by), described)
                offers.setdefault(offer, []).extend(one.printer for one in printers)
    return tuple(ModelOffer(*place[:3], tuple(sorted(printers)), place[3]) for place, printers in offers.items())
