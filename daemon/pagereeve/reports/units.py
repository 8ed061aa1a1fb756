"""How well units are known, in plain words: said once, and not of each printer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.domain.values.amounts import amount, form
from pagereeve.domain.values.visible import visible
from pagereeve.queries.units import FROM_MODEL, ModelOffer, UnitStanding

NAMED_MAX: Final = 5
GRADES: Final[Mapping[UnitGrade, str]] = {
    UnitGrade.PROVEN: "proven with test pages",
    UnitGrade.INFERRED: "inferred from other counters, from releases or from the model",
    UnitGrade.SAID: "said by the agent, and not proven with test pages",
    UnitGrade.ASSUMED: "assumed: nobody says whether it is sheets or sides",
}


def unit_text(unit: Unit, grade: UnitGrade) -> str:
    """A counter's unit and how it is known, as a part of a sentence."""
    return f"sheets or sides; {GRADES[grade]}" if unit is Unit.UNKNOWN else f"{unit.value}; {GRADES[grade]}"


def units_line(known: Sequence[UnitStanding]) -> str:
    """Whose units are known less than proven; empty where all are."""
    parts = []
    for grade in reversed(UnitGrade):
        names = [one.printer for one in known if one.grade is grade]
        if names and grade is not UnitGrade.PROVEN:
            parts.append(f"{amount(len(names), 'printer')} {GRADES[grade]} ({some(names)})")
    proven = sum(one.grade is UnitGrade.PROVEN for one in known)
    rest = f"; {amount(proven, 'printer')} {GRADES[UnitGrade.PROVEN]}" if proven and parts else ""
    by_ipp = [one.printer for one in known if one.by_ipp]
    counted = f" Counted by IPP: {some(by_ipp)}." if by_ipp else ""
    return f"Units, as they are known now: {'; '.join(parts)}{rest}.{counted}" if parts else counted.strip()


def offer_lines(offers: Iterable[ModelOffer]) -> list[str]:
    """What a proof says of its equals: for a person to take over, once model and firmware were compared."""
    return [_offer(one) for one in offers]


_WHERE: Final = "Where model and firmware are the same, "


def _offer(one: ModelOffer) -> str:
    where = "Their agents say the same of model and firmware: " if one.described else _WHERE
    return (
        f"{amount(len(one.printers), 'printer')} with the object id {one.model} "
        f"{form(len(one.printers), 'runs', 'run')} on an assumed unit: {some(one.printers)}. "
        f"{some(one.proven_by)} of that model {form(len(one.proven_by), 'is', 'are')} proven. "
        f"{where}{form(len(one.printers), 'its entry', 'their entries')} may say: "
        f'unit = "{one.unit.value}", unit_grade = "{FROM_MODEL}"'
    )


def some(names: Sequence[str]) -> str:
    shown = ", ".join(visible(name) for name in names[:NAMED_MAX])
    return shown if len(names) <= NAMED_MAX else f"{shown} and {len(names) - NAMED_MAX} more"
