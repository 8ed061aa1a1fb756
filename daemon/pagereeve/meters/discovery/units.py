"""What one step of a counter means, and how that is known: PrtMarkerCounterUnitTC as an agent says it (RFC 3805
section 6), what a profile's channel rests on, what other counters or test pages showed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.meters.discovery.channels import PinnedChannel, RestsOn
from pagereeve.meters.discovery.objects import UNIT_NAMES, USABLE_UNITS
from pagereeve.meters.snmp.ber import Varbind, number_or_none

# A MIB's text is the maker's word. A recording shows by its figures what a step is; a list shows nothing.
_RESTING: Final[dict[RestsOn, UnitGrade]] = {
    "mib": UnitGrade.SAID,
    "recording": UnitGrade.INFERRED,
    "hearsay": UnitGrade.ASSUMED,
}


class KnownUnit(NamedTuple):
    """``pages`` is False where the agent says that it counts something else: hours, lengths, lines."""

    unit: Unit
    grade: UnitGrade
    pages: bool = True


NOT_KNOWN: Final = KnownUnit(Unit.UNKNOWN, UnitGrade.ASSUMED)
NO_PAGES: Final = KnownUnit(Unit.UNKNOWN, UnitGrade.SAID, pages=False)


def unit_said(channel: PinnedChannel, values: Mapping[bytes, Varbind]) -> KnownUnit:
    """The unit without what test pages proved: the agent's word, else the profile's, else what was inferred."""
    place = channel.unit
    if isinstance(place, Unit):
        return KnownUnit(place, _RESTING[channel.rests_on])
    code = None if place is None else number_or_none(values.get(place))
    if code in USABLE_UNITS:
        return KnownUnit(USABLE_UNITS[code], UnitGrade.SAID)
    if code in UNIT_NAMES:
        return NO_PAGES
    return NOT_KNOWN if channel.inferred is None else KnownUnit(channel.inferred, UnitGrade.INFERRED)


def unit_known(channel: PinnedChannel, values: Mapping[bytes, Varbind]) -> KnownUnit:
    """The unit to count by. What test pages proved accompanies every other word."""
    if channel.proven is not None:
        return KnownUnit(channel.proven, UnitGrade.PROVEN)
    return unit_said(channel, values)


def unit_label(channel: PinnedChannel, values: Mapping[bytes, Varbind]) -> str:
    """What is said of the unit, for people, whatever it is."""
    place = channel.unit
    if place is None:
        return "unproven"
    if isinstance(place, Unit):
        return place.value
    code = number_or_none(values.get(place))
    return "missing" if code is None else f"{UNIT_NAMES.get(code, 'undefined')}({code})"
