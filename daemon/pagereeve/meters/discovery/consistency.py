"""Channels of one answer compared with one another: parts are not more than the total
(fusioninventory/fusioninventory-agent#638, Tylan/check_snmp_printer#13).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

from pagereeve.domain.facts.reading import Unit

# What an engine picks and what it delivers differ by misfeeds: of pairs read at once most are equal, where they differ
# the standard's count is the larger one by a few sides (Tylan/check_snmp_printer#13: 28,222 against 28,218).
SLACK_PAGES: Final = 20
SLACK_SHARE: Final = 0.001

FUNCTIONS: Final = ("prints", "copies", "faxes")
# Blank sides are counted apart from both where a device counts them (PWG 5106.3, icImpressionTable).
COLOURS: Final = ("mono", "colour", "blank")
PARTS: Final = (*COLOURS, *FUNCTIONS, "large")


class ShownCount(NamedTuple):
    """``unit`` is None where nobody has proven it; ``source`` names who says so."""

    value: int
    unit: Unit | None
    source: str


class ConsistencyVerdict(NamedTuple):
    """``culprits`` are the channels that lose their place; without any it passed."""

    text: str
    culprits: tuple[str, ...] = ()

    @property
    def passed(self) -> bool:
        return not self.culprits


def check(channels: Mapping[str, ShownCount]) -> list[ConsistencyVerdict]:
    """Every comparison that the channels at hand allow."""
    total = channels.get("total")
    if total is None:
        return []
    verdicts = [
        _at_most(name, channels[name], total)
        for name in PARTS
        if name in channels and _alike(channels[name].unit, total.unit)
    ]
    verdicts += _sums(channels, total)
    if "sheets" in channels and total.unit is not Unit.SHEETS:
        verdicts.append(_at_most("sheets", channels["sheets"], total))
    duplex = channels.get("duplex")
    if duplex is not None:
        verdicts.append(_at_most("duplex", duplex, total))
    return verdicts


def _alike(part: Unit | None, total: Unit | None) -> bool:
    """Sides and sheets are not compared: three sides may well be two sheets."""
    return part is None or total is None or part is total


def _slack(total: int) -> int:
    return SLACK_PAGES + int(total * SLACK_SHARE)


def _at_most(name: str, part: ShownCount, total: ShownCount) -> ConsistencyVerdict:
    passed = part.value <= total.value + _slack(total.value)
    sign = "<=" if passed else ">"
    text = f"{name} {part.value} {sign} total {total.value}"
    return ConsistencyVerdict(text, () if passed else _blamed((name, part), total))


def _blamed(part: tuple[str, ShownCount], total: ShownCount) -> tuple[str, ...]:
    """The standard's total is beyond doubt; a total of the part's own source falls with it."""
    name, shown = part
    return (name, "total") if shown.source == total.source and shown.source != "Printer-MIB" else (name,)


def _sums(channels: Mapping[str, ShownCount], total: ShownCount) -> list[ConsistencyVerdict]:
    verdicts = []
    for names in (COLOURS, FUNCTIONS):
        parts = {name: channels[name] for name in names if name in channels}
        if len(parts) < 2 or not all(_alike(part.unit, total.unit) for part in parts.values()):
            continue
        whole = sum(part.value for part in parts.values())
        prints = channels.get("prints") if names is COLOURS else None
        verdicts.append(_sum(parts, whole, total, prints, equal=names is COLOURS))
    return verdicts


def _sum(
    parts: Mapping[str, ShownCount], whole: int, total: ShownCount, prints: ShownCount | None, *, equal: bool
) -> ConsistencyVerdict:
    """Colours make the total; functions need not: there are reports, and functions that nobody counts."""
    slack = _slack(total.value)
    label = f"{' + '.join(parts)} = {whole}"
    if whole > total.value + slack:
        return ConsistencyVerdict(f"{label}, more than total {total.value}", tuple(parts))
    if whole == total.value:
        return ConsistencyVerdict(f"{label} = total")
    if not equal or whole >= total.value - slack:
        return ConsistencyVerdict(f"{label}, total {total.value}: {abs(total.value - whole)} apart")
    if prints is not None and abs(whole - prints.value) <= slack:
        return ConsistencyVerdict(f"{label}: the colours are of prints alone ({prints.value})")
    return ConsistencyVerdict(f"{label}, less than total {total.value}", tuple(parts))
