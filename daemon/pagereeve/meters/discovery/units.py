"""What one step of a counter means: PrtMarkerCounterUnitTC as an agent says it (RFC 3805 section 6)."""

from __future__ import annotations

from collections.abc import Mapping

from pagereeve.domain.facts.reading import Unit
from pagereeve.meters.discovery.objects import UNIT_NAMES, USABLE_UNITS
from pagereeve.meters.snmp.ber import DecodeError, Varbind, number


def unit_in(place: bytes | Unit | None, values: Mapping[bytes, Varbind]) -> Unit | None:
    """The unit where it can be compared with pages; ``place`` as PinnedChannel.unit has it."""
    if not isinstance(place, bytes):
        return place
    return USABLE_UNITS.get(_code(place, values) or 0)


def unit_label(place: bytes | Unit | None, values: Mapping[bytes, Varbind]) -> str:
    """The same for people, whatever it is."""
    if place is None:
        return "unproven"
    if isinstance(place, Unit):
        return place.value
    code = _code(place, values)
    return "missing" if code is None else f"{UNIT_NAMES.get(code, 'undefined')}({code})"


def _code(place: bytes, values: Mapping[bytes, Varbind]) -> int | None:
    varbind = values.get(place)
    if varbind is None or varbind.absent:
        return None
    try:
        return number(varbind)
    except DecodeError:
        return None
