"""What a printer's other counters say against a profile: a column that is dead, and one that counts something else."""

from __future__ import annotations

from collections.abc import Iterator

from pagereeve.meters.discovery.consistency import alike, slack
from pagereeve.ports.inspection import ChannelFound, Inspection


def refuted(profile: str, seen: Inspection) -> tuple[str, ...]:
    """Each reason why what was seen refuses the profile of that name; none where nothing speaks against it.

    Two totals of one printer may differ for good (one was reset), but no recording of such a printer proves a profile.
    """
    failed = [one.text for one in seen.checks if not one.passed]
    return tuple(dict.fromkeys((*failed, *_totals(profile, seen))))


def _totals(profile: str, seen: Inspection) -> Iterator[str]:
    found = (*seen.channels, *seen.witnesses)
    for one in found:
        if one.source != profile or one.name != "total":
            continue
        where = f"total {one.value} by {' + '.join(one.objects)}"
        if one.value == 0 and (living := _most(found)) is not None:
            yield f"{where} stands at 0, while {living.name} ({living.source}) has counted {living.value}"
        for other in found:
            if other.name == "total" and other.source != profile and other.value and _differ(one, other):
                yield f"{where} is not the total {other.value} of {other.source}"


def _most(found: tuple[ChannelFound, ...]) -> ChannelFound | None:
    """The counter that counted most; None where none has counted."""
    most = max(found, key=lambda one: one.value)
    return most if most.value > slack(0) else None


def _differ(one: ChannelFound, other: ChannelFound) -> bool:
    return alike(one.unit, other.unit) and abs(one.value - other.value) > slack(max(one.value, other.value))
