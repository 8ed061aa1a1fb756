"""Plateaus, silences and counts as members of a JSON object, both ways."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final, get_args

from pagereeve.domain.facts.reading import (
    COUNTER32_MODULUS,
    Count,
    Counter,
    GatewayWord,
    Plateau,
    PrinterState,
    Sight,
    Silence,
    SilenceReason,
    Unit,
    UnitGrade,
)
from pagereeve.domain.values.codec import (
    FIGURE,
    FIGURE_MAX,
    INSTANT,
    TEXT,
    TRUTH,
    ByHand,
    Codec,
    Member,
    NotPlain,
    Spread,
    choice,
    inner,
    integer,
    listed,
    quick_of,
    texts,
)
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.fields import TEXT_MAX, Fields
from pagereeve.domain.values.shapes import MapShape, MemberShape, ObjectShape, Shape, TextShape, WholeShape, WordShape

CHANNELS_MAX: Final = 32
COUNTERS_MAX: Final = 64
ERRORS_MAX: Final = 32

Counts = tuple[tuple[str, Count], ...]


def _counts_json(counts: Iterable[tuple[str, Count]]) -> dict[str, Any]:
    """By channel; what goes without saying of a counter is left out."""
    listed = tuple(counts)
    members: dict[str, Any] = {
        "counts": {name: count.value for name, count in listed},
        "units": {name: count.unit.value for name, count in listed},
    }
    moduli = {name: count.modulus for name, count in listed if count.modulus != COUNTER32_MODULUS}
    objects = {name: count.object for name, count in listed if count.object}
    if moduli:
        members["moduli"] = moduli
    if objects:
        members["objects"] = objects
    grades = {name: count.grade.value for name, count in listed if count.grade is not UnitGrade.SAID}
    if grades:
        members["unit_grades"] = grades
    return members


def _counts_of(fields: Fields) -> Counts:
    """Sorted by channel. Raises BadFact."""
    counts, units = fields.object("counts"), fields.object("units")
    moduli = fields.optional_object("moduli") or Fields({}, "moduli")
    objects = fields.optional_object("objects") or Fields({}, "objects")
    grades = fields.optional_object("unit_grades") or Fields({}, "unit_grades")
    names = sorted(counts.names())
    if len(names) > CHANNELS_MAX:
        raise BadFact(fields.path("counts"), f"has {len(names)} channels; {CHANNELS_MAX} at most")
    found = []
    for name in names:
        value = counts.integer(name, 0, FIGURE_MAX)
        unit = units.choice(name, _UNITS)
        modulus = moduli.optional_integer(name, 0, FIGURE_MAX)
        modulus = COUNTER32_MODULUS if modulus is None else modulus
        grade = grades.optional_choice(name, _GRADES) or UnitGrade.SAID
        found.append((name, Count(value, unit, modulus, objects.optional_text(name) or "", grade)))
    for rest in (units, moduli, objects, grades):
        rest.finish()
    return tuple(found)


def _counts_quickly(left: dict[str, Any]) -> Counts:
    """As ``_counts_of``, of plain members. Raises as ``Kind.quick`` does."""
    counts, units = _map_in(left, "counts"), _map_in(left, "units")
    moduli, objects, grades = (_map_in(left, name) for name in ("moduli", "objects", "unit_grades"))
    if len(counts) > CHANNELS_MAX or not counts.keys() >= {*units, *moduli, *objects, *grades}:
        raise NotPlain
    found = []
    for name in sorted(counts):
        modulus = _figure(moduli[name]) if name in moduli else COUNTER32_MODULUS
        counter = _text(objects[name]) if name in objects else ""
        grade = _grade(grades[name]) if name in grades else UnitGrade.SAID
        found.append((name, Count(_figure(counts[name]), _unit(units[name]), modulus, counter, grade)))
    return tuple(found)


def _map_in(left: dict[str, Any], name: str) -> dict[str, Any]:
    known = left.pop(name, _NONE)
    if type(known) is dict:
        return known
    raise NotPlain


def in_order(plateau: Plateau) -> tuple[str, str] | None:
    """The member that is wrong, and what is wrong with it; None where its four times are in order."""
    begun = plateau.first_sent_us <= plateau.first_received_us <= plateau.last_received_us
    if begun and plateau.first_sent_us <= plateau.last_sent_us <= plateau.last_received_us:
        return None
    return "last_received", "the reading ends before it begins; check the four times"


_NONE: Final[dict[str, Any]] = {}
_figure, _text = quick_of(FIGURE), quick_of(TEXT)
_unit, _grade = quick_of(choice(Unit)), quick_of(choice(UnitGrade))
_UNITS: Final = tuple(Unit)
_GRADES: Final = tuple(UnitGrade)
TICKS_MAX: Final = 2**32 - 1
_TICKS: Final = integer(0, TICKS_MAX)


def _counts_shape() -> ObjectShape:
    figure = WholeShape(0, FIGURE_MAX)
    optional: dict[str, Shape] = {
        "moduli": figure,
        "objects": TextShape(TEXT_MAX),
        "unit_grades": WordShape(tuple(map(str, _GRADES))),
    }
    members = (
        MemberShape("counts", MapShape(figure, CHANNELS_MAX), needed=True, null=False),
        MemberShape("units", MapShape(WordShape(tuple(map(str, _UNITS)))), needed=True, null=False),
        *(MemberShape(name, MapShape(of, null=True), needed=False, null=True) for name, of in optional.items()),
    )
    return ObjectShape(Count, members, (Count,))


COUNTS: Final = ByHand(_counts_json, _counts_of, _counts_shape, _counts_quickly)
"""The members ``counts``, ``units``, ``moduli``, ``objects`` and ``unit_grades``, each by channel."""

_COUNTER: Final = Codec(
    Counter,
    Member("object", TEXT),
    Member("value", FIGURE),
    Member("channel", TEXT),
    Member("source", TEXT),
    Member("unit", choice(Unit, str), default=Unit.UNKNOWN),
    Member("grade", choice(UnitGrade, str), default=UnitGrade.ASSUMED),
    Member("modulus", FIGURE, default=COUNTER32_MODULUS),
    Member("part", TRUTH, default=False),
)
_SIGHT: Final = Codec(
    Sight,
    Spread("counts", COUNTS),
    Member("serial", TEXT, default=""),
    Member("object_id", TEXT, default=""),
    Member("description", TEXT, default=""),
    Member("state", choice(PrinterState, str)),
    Member("errors", texts(ERRORS_MAX), default=(), written=True),
    Member("responder", TEXT, default=""),
    Member("counters", listed(inner(_COUNTER), COUNTERS_MAX), default=()),
)
PLATEAU: Final = Codec(
    Plateau,
    Member("first_sent_us", INSTANT, "first_sent"),
    Member("first_received_us", INSTANT, "first_received"),
    Member("last_sent_us", INSTANT, "last_sent"),
    Member("last_received_us", INSTANT, "last_received"),
    Member("count", integer(1, FIGURE_MAX)),
    Spread("sight", _SIGHT),
    Member("first_uptime_cs", _TICKS, default=None),
    Member("last_uptime_cs", _TICKS, default=None),
    Member("first_power_on", FIGURE, default=None),
    Member("last_power_on", FIGURE, default=None),
    check=in_order,
)
SILENCE: Final = Codec(
    Silence,
    Member("first_sent_us", INSTANT, "first_sent"),
    Member("last_received_us", INSTANT, "last_received"),
    Member("count", integer(1, FIGURE_MAX)),
    Member("reason", choice(SilenceReason, str)),
    Member("detail", TEXT, default=""),
    Member("responder", TEXT, default=""),
    Member("gateway", choice(get_args(GatewayWord)), default=""),
)
