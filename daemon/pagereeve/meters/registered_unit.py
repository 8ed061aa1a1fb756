"""A unit that the registry gives, and how it came by it: proven of the printer itself, or of another of its model."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.domain.facts.reading import Sight
from pagereeve.ports.meter import MeterTarget


def with_registered_unit(sight: Sight, target: MeterTarget) -> Sight:
    """The sight with the grade of the registry's word at the total that is counted by it."""
    total = sight.count("total")
    if target.unit is None or total is None or total.unit is not target.unit or total.grade is target.unit_grade:
        return sight
    graded = replace(total, grade=target.unit_grade)
    return replace(sight, counts=tuple((name, graded if name == "total" else one) for name, one in sight.counts))
