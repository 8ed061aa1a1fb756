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
# The kinds of work that make up what one service did (PWG 5106.3, workType).
WORK: Final = ("datastream", "auxiliary", "waste", "maintenance")
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
        if name in channels and alike(channels[name].unit, total.unit)
    ]
    verdicts += _sums(channels, total)
    if "sheets" in channels and total.unit is not Unit.SHEETS:
        verdicts.append(_at_most("sheets", channels["sheets"], total))
    duplex = channels.get("duplex")
    if duplex is not None and (duplex.unit is not Unit.IMPRESSIONS or total.unit is Unit.IMPRESSIONS):
        # Two-sided sides may well be more than a total of sheets.
        verdicts.append(_at_most("duplex", duplex, total))
    return verdicts + _work(channels)


def _work(channels: Mapping[str, ShownCount]) -> list[ConsistencyVerdict]:
    """The kinds of work make up the prints. Where they don't, the prints stand and nothing is split by them."""
    prints = channels.get("prints")
    parts = [channels[name] for name in WORK if name in channels]
    if prints is None or len(parts) < len(WORK) or any(part.source != prints.source for part in parts):
        return []
    whole = sum(part.value for part in parts)
    label = f"{' + '.join(WORK)} = {whole}"
    if whole == prints.value:
        return [ConsistencyVerdict(f"{label} = prints")]
    return [ConsistencyVerdict(f"{label}, prints {prints.value}: {abs(prints.value - whole)} apart")]


def alike(part: Unit | None, total: Unit | None) -> bool:
    """Sides and sheets are not compared: three sides may well be two sheets."""
    return part is None or total is None or part is total


def slack(total: int) -> int:
    return SLACK_PAGES + int(total * SLACK_SHARE)


def _at_most(name: str, part: ShownCount, total: ShownCount) -> ConsistencyVerdict:
    passed = part.value <= total.value + slack(total.value)
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
        if len(parts) < 2 or not all(alike(part.unit, total.unit) for part in parts.values()):
            continue
        whole = sum(part.value for part in parts.values())
        prints = channels.get("prints") if names is COLOURS else None
        verdicts.append(_sum(parts, whole, total, prints, equal=names is COLOURS))
    return verdicts


def _sum(
    parts: Mapping[str, ShownCount], whole: int, total: ShownCount, prints: ShownCount | None, *, equal: bool
) -> ConsistencyVerdict:
    """Colours make the total; functions need not: there are reports, and functions that nobody counts."""
    apart = slack(total.value)
    label = f"{' + '.join(parts)} = {whole}"
    if whole > total.value + apart:
        return ConsistencyVerdict(f"{label}, more than total {total.value}", tuple(parts))
    if whole == total.value:
        return ConsistencyVerdict(f"{label} = total")
    if not equal or whole >= total.value - apart:
        return ConsistencyVerdict(f"{label}, total {total.value}: {abs(total.value - whole)} apart")
    if prints is not None and abs(whole - prints.value) <= apart:
        return ConsistencyVerdict(f"{label}: the colours are of prints alone ({prints.value})")
    return ConsistencyVerdict(f"{label}, less than total {total.value}", tuple(parts))
