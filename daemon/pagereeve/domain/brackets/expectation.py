"""What a release should cost on one channel, as an interval with reasons (RFC 2707 section 2, RFC 8011 section 5.2)."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.domain.brackets.prints import PRINTS, PRINTS_ALONE, SHEETS, TOTAL, WHOLE
from pagereeve.domain.facts.facts import ReleaseEnded
from pagereeve.domain.facts.media import is_large
from pagereeve.domain.facts.policy import LARGE_WEIGHT_MAX, Policy
from pagereeve.domain.facts.reading import KNOWN_UNITS, Unit
from pagereeve.domain.facts.ticket import SEPARATORS_MAX, Ticket
from pagereeve.domain.ledger import Interval
from pagereeve.domain.values.records import dataclass

# The channels whose count a ticket determines; the others are parts of these, known to the meter alone.
CLAIMED_CHANNELS = frozenset({TOTAL, SHEETS, PRINTS_ALONE})
# What a meter counts of functions that no release uses: never a person's.
FUNCTION_CHANNELS = ("copies", "faxes")
# Neither is what the engine picked, which counts misfeeds too (Tylan/check_snmp_printer#13), nor banners, spoilt sheets
# and maintenance, where the device counts them apart (PWG 5106.3, workType).
NOBODYS_CHANNELS = frozenset({*FUNCTION_CHANNELS, "picked", "auxiliary", "waste", "maintenance"})
# A printer that was off may make a page of its own when it comes back.
START_UP = "start-up-page"
# Channels that count all that is printed, though no claim is in them.
_OF_ALL = frozenset({PRINTS, WHOLE})
_UNBOUNDED = Interval(0, None)
# The counter's unit is not known: between its sheets and its sides.
UNIT_UNKNOWN = "unit-unknown"


@dataclass(frozen=True, slots=True)
class Expectation:
    """``count`` is what the meter may show. ``claim`` is what the owner asked for: never blank backs or separators.

    ``claim.most`` differs from ``claim.least`` only where the ticket or the unit leaves it open; ``released`` is then
    None. ``by_unit``: the claim is another in sheets than in sides, so that it rests on the counter's unit.
    """

    count: Interval
    claim: Interval
    reasons: tuple[str, ...]
    by_unit: bool = False

    @property
    def released(self) -> int | None:
        return self.claim.least if self.claim.least == self.claim.most else None


def expect(
    channel: str,
    unit: Unit,
    ticket: Ticket,
    ended: ReleaseEnded | None,
    policy: Policy,
    *,
    again: bool = False,
) -> Expectation:
    """The expected count of a channel, from the ticket, the end notice and the printer's calibration.

    ``again``: the release was started before; whether it prints a second time is for the meter to say.
    """
    if channel in NOBODYS_CHANNELS:
        return Expectation(Interval(0, None), Interval(0, 0), (f"{channel}-not-of-a-release",))
    if unit is Unit.UNKNOWN:
        return _either(*(expect(channel, one, ticket, ended, policy, again=again) for one in KNOWN_UNITS))
    return expect_in(channel, ticket, _expect_total(unit, ticket, ended, policy, again=again))


def expect_in(channel: str, ticket: Ticket, total: Expectation) -> Expectation:
    """The expected count of a channel that is not nobody's, from the total's in the same, known unit."""
    if channel in CLAIMED_CHANNELS:
        return total
    if channel in _OF_ALL:
        return Expectation(total.count, _UNBOUNDED, total.reasons, total.by_unit)
    reasons = list(total.reasons)
    count = _part(channel, ticket, total.count, reasons)
    return Expectation(count, _UNBOUNDED, tuple(reasons), total.by_unit)


def _expect_total(
    unit: Unit, ticket: Ticket, ended: ReleaseEnded | None, policy: Policy, *, again: bool
) -> Expectation:
    reasons: list[str] = []
    ticket = _as_meant(ticket, policy)
    content = _content(ticket, ended, reasons)
    claim, count = _sides_of(content, unit, ticket, policy, reasons)
    claim, count = _weighed(claim, count, unit, ticket, policy, reasons)
    count = _plus(count, _separators(unit, ticket, policy, reasons))
    if again:
        count = Interval(0, count.most)
        reasons.append("started-before")
    if ended is not None and ended.outcome != "completed":
        # RFC 8011 section 5.3.7: a cancelled or aborted job can have printed any number of sheets.
        count = Interval(0, count.most)
        reasons.append(ended.outcome)
    return Expectation(count, claim, tuple(reasons), _is_by_unit(content, ticket))


def _either(sides: Expectation, sheets: Expectation) -> Expectation:
    """What holds whichever the unit is: from the sheets to the sides. One-sided work is exact at once."""
    if (sides.count, sides.claim) == (sheets.count, sheets.claim):
        return sides
    reasons = dict.fromkeys([*sides.reasons, *sheets.reasons, UNIT_UNKNOWN])
    count, claim = _hull(sides.count, sheets.count), _hull(sides.claim, sheets.claim)
    return Expectation(count, claim, tuple(reasons), sides.by_unit)


def _hull(one: Interval, other: Interval) -> Interval:
    most = None if one.most is None or other.most is None else max(one.most, other.most)
    return Interval(min(one.least, other.least), most)


def _as_meant(ticket: Ticket, policy: Policy) -> Ticket:
    """The ticket as this printer's calibration reads it."""
    if policy.copies == "in-pages" and ticket.copies != 1:
        ticket = replace(ticket, copies=1)
    if policy.number_up == "in-pages" and ticket.number_up != 1:
        ticket = replace(ticket, number_up=1)
    if policy.sides == "one-sided" and ticket.sides != "one-sided":
        ticket = replace(ticket, sides="one-sided")
    return ticket


@dataclass(frozen=True, slots=True)
class _Content:
    """Impressions of one copy, and the number of copies."""

    impressions: Interval
    copies: Interval


def _content(ticket: Ticket, ended: ReleaseEnded | None, reasons: list[str]) -> _Content:
    if ticket.pages is None:
        # A completed job of no pages is a server that doesn't know (apple/cups#4991).
        if ended is not None and ended.pages_sent is not None and (ended.pages_sent or ended.outcome != "completed"):
            reasons.append("pages-from-end-notice")
            return _Content(Interval(ended.pages_sent, ended.pages_sent), Interval(1, 1))
        reasons.append("pages-unknown")
        return _Content(Interval(0, None), Interval(1, 1))
    copies = Interval(ticket.copies, ticket.copies) if ticket.copies is not None else Interval(1, None)
    if ticket.copies is None:
        reasons.append("copies-unknown")
    if ticket.number_up is None:
        reasons.append("number-up-unknown")
        return _Content(Interval(min(1, ticket.pages), ticket.pages), copies)
    impressions = _ceil(ticket.pages, ticket.number_up)
    return _Content(Interval(impressions, impressions), copies)


def _is_by_unit(content: _Content, ticket: Ticket) -> bool:
    most = content.impressions.most
    return ticket.sides != "one-sided" and (most is None or most > 1)


def _sides_of(
    content: _Content, unit: Unit, ticket: Ticket, policy: Policy, reasons: list[str]
) -> tuple[Interval, Interval]:
    """(claim, count) in the channel's unit, without separators."""
    one, copies = content.impressions, content.copies
    two_sided = None if ticket.sides is None else ticket.sides != "one-sided"
    if two_sided is None:
        reasons.append("sides-unknown")
    sheets_two = Interval(_ceil(one.least, 2), None if one.most is None else _ceil(one.most, 2))
    if unit is Unit.SHEETS:
        per_copy = one if two_sided is False else sheets_two if two_sided else Interval(sheets_two.least, one.most)
        counted = _times(per_copy, copies)
        return counted, counted
    claim = _times(one, copies)
    if two_sided is False or policy.blank_backs == "not-counted":
        return claim, claim
    passes = Interval(2 * sheets_two.least, None if sheets_two.most is None else 2 * sheets_two.most)
    if two_sided and policy.blank_backs == "counted":
        return claim, _times(passes, copies)
    if passes.most != one.most:
        reasons.append("blank-backs")
    return claim, _times(Interval(one.least, passes.most), copies)


def _weighed(
    claim: Interval, count: Interval, unit: Unit, ticket: Ticket, policy: Policy, reasons: list[str]
) -> tuple[Interval, Interval]:
    """(claim, count) of large media. A proven weight is part of the claim, in the meter's own steps."""
    weight = policy.large_media_weight
    if weight == 1:
        return claim, count
    large = None if ticket.media is None else is_large(ticket.media)
    if large is False or (weight is None and (large is None or unit is Unit.SHEETS)):
        # Of a printer that has never shown a weight, a ticket without a size says nothing of one either.
        return claim, count
    if weight is not None and large:
        return _times(claim, Interval(weight, weight)), _times(count, Interval(weight, weight))
    reasons.append("large-media" if large else "media-unknown")
    return claim, _times(count, Interval(1, weight or LARGE_WEIGHT_MAX))


def _separators(unit: Unit, ticket: Ticket, policy: Policy, reasons: list[str]) -> Interval:
    sheets = ticket.separator_sheets
    if sheets is None and "separator_sheets" not in ticket.unknown:
        sheets = policy.separator_sheets
    known = Interval(0, SEPARATORS_MAX) if sheets is None else Interval(sheets, sheets)
    if sheets is None:
        reasons.append("separators-unknown")
    if unit is Unit.SHEETS or ticket.sides == "one-sided" or policy.blank_backs == "not-counted":
        return known
    if known.most:
        reasons.append("separator-backs")
    return _times(known, Interval(1, 2))


def _part(channel: str, ticket: Ticket, total: Interval, reasons: list[str]) -> Interval:
    if ticket.color_mode == "monochrome" and channel == "mono":
        return total
    if ticket.color_mode == "monochrome" and channel == "colour":
        return Interval(0, 0)
    reasons.append(f"{channel}-not-in-ticket")
    return Interval(0, total.most)


def _ceil(amount: int, divisor: int) -> int:
    return -(-amount // divisor)


def _times(left: Interval, right: Interval) -> Interval:
    if left.most == 0:
        return Interval(0, 0)
    if right.least == right.most == 1:
        return left
    most = None if left.most is None or right.most is None else left.most * right.most
    return Interval(left.least * right.least, most)


def _plus(left: Interval, right: Interval) -> Interval:
    if right.most == 0:
        return left
    most = None if left.most is None or right.most is None else left.most + right.most
    return Interval(left.least + right.least, most)


def total_of(intervals: list[Interval]) -> Interval:
    """The sum of expected intervals: what several releases together should count."""
    if len(intervals) == 1:
        return intervals[0]
    summed = Interval(0, 0)
    for interval in intervals:
        summed = _plus(summed, interval)
    return summed
