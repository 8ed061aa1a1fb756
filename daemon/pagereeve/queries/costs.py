"""What charged pages cost in a period, by the rate cards that held when their releases started."""

from __future__ import annotations

from collections.abc import AsyncIterable, AsyncIterator, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, get_args

from pagereeve.domain.accounts.decisions import DecisionPosting
from pagereeve.domain.accounts.frozen_answers import CostsBy
from pagereeve.domain.accounts.people import People, Who
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.rates import Amount, Bill, PricedPages, RateCard, Rates, Sides, Size, total_of
from pagereeve.domain.facts.media import is_large
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.ledger import Charge, cost_centre_of, is_house, owner_of
from pagereeve.ports.reads import Reads
from pagereeve.queries.as_closed import AsClosed
from pagereeve.queries.page_decisions import decided_in
from pagereeve.queries.people import people_of

COSTS_BY: Final[tuple[CostsBy, ...]] = get_args(CostsBy)
NO_TICKET: Final = Ticket()
BATCH: Final = 500
_Start = tuple[str, str, str, int]
"""Printer, source, release, instant."""


@dataclass(slots=True)
class Costs:
    """One line. ``pages`` are charged pages of the channels that have a price, each channel's for itself.

    ``person`` and ``name`` are of a person whom a list names; else "".
    """

    who: str
    pages: dict[str, int] = field(default_factory=dict)
    bill: Bill = field(default_factory=Bill)
    person: str = ""
    name: str = ""


@dataclass(frozen=True, slots=True)
class _Receiver:
    """Whose pages: of a person, or of a cost centre that a decision names."""

    printer: str
    owner: str
    at_us: int
    centre: str | None = None


@dataclass(frozen=True, slots=True)
class CostsAnswer:
    """``cards``: those that hold at some instant of the period, as they were frozen where ``as_closed`` lacks none."""

    period: Period
    by: CostsBy
    lines: tuple[Costs, ...]
    cards: tuple[RateCard, ...] = ()
    as_closed: AsClosed | None = None

    def totals(self) -> tuple[Amount, ...]:
        """What the lines' amounts add up to, and what rounding left over, for each currency."""
        amounts = [amount for line in self.lines for amount in line.bill.amounts()]
        return tuple(total_of(amounts, currency) for currency in sorted({one.currency for one in amounts}))

    @property
    def unpriced(self) -> dict[str, int]:
        """Pages that no price fits, each channel's for itself."""
        whole = Bill()
        for line in self.lines:
            whole.merge(Bill(unpriced=line.bill.unpriced))
        return dict(sorted(whole.unpriced.items()))


@dataclass(frozen=True, slots=True)
class Prices:
    """``classes``: each printer's price class. None of its rates: the site has no prices."""

    rates: Rates
    classes: Mapping[str, str]


async def costs_of(reads: Reads, period: Period, by: CostsBy, rates: Rates, classes: Mapping[str, str]) -> CostsAnswer:
    """``classes``: each printer's price class. All is read at one moment; tickets only where a price asks for them."""
    async with reads.snapshot() as held:
        people = People() if by == "printer" else await people_of(held)
        charges = held.charges(period.from_us, period.to_us)
        prices = Prices(rates, classes)
        lines = await cost_lines(held, charges, await decided_in(held, period), by, people, prices)
    return CostsAnswer(period, by, lines, rates.cards_within(period.from_us, period.to_us))


async def cost_lines(
    held: Reads,
    charges: AsyncIterable[Charge],
    decided: Iterable[DecisionPosting],
    by: CostsBy,
    people: People,
    prices: Prices,
) -> tuple[Costs, ...]:
    """What these charges, in order of start, and what decisions posted cost: a line for each of whom they are."""
    return (await costs_each(held, charges, decided, (by,), people, prices))[by]


async def costs_each(
    held: Reads,
    charges: AsyncIterable[Charge],
    decided: Iterable[DecisionPosting],
    groupings: Sequence[CostsBy],
    people: People,
    prices: Prices,
) -> Mapping[CostsBy, tuple[Costs, ...]]:
    """As ``cost_lines``, by each grouping; the charges are gone through once."""
    lines: dict[CostsBy, dict[tuple[str, str], Costs]] = {by: {} for by in groupings}
    rates, classes = prices.rates, prices.classes
    async for batch in _batches(charges, rates.priced_channels()):
        tickets = await _tickets_of(held, batch) if rates.asks_for_tickets else {}
        for charge in batch:
            priced = _pages(charge, tickets.get(_start_of(charge), NO_TICKET), classes.get(charge.printer, ""))
            receiver = _Receiver(charge.printer, charge.owner, charge.started_us)
            for by, own in lines.items():
                _add(_line(own, by, receiver, people), priced, rates)
    for posting in decided:
        if posting.channel in rates.priced_channels():
            priced = await _decided_pages(held, posting, rates, classes)
            for by, own in lines.items():
                _add_decided(posting, priced, by, people, rates, own)
    return {by: tuple(sorted(own.values(), key=lambda one: (one.who, one.person))) for by, own in lines.items()}


def _add(line: Costs, priced: PricedPages, rates: Rates) -> None:
    line.pages[priced.channel] = line.pages.get(priced.channel, 0) + priced.pages
    rates.charge(line.bill, priced)


async def _decided_pages(
    held: Reads, posting: DecisionPosting, rates: Rates, classes: Mapping[str, str]
) -> PricedPages:
    """At the price of the day on which the pages came; sheets of a claim are as its release's ticket says."""
    ticket = NO_TICKET
    if rates.asks_for_tickets and posting.unproven and posting.charge is not None:
        tickets = await _tickets_of(held, [posting.charge])
        ticket = tickets.get(_start_of(posting.charge), NO_TICKET)
    price_class = classes.get(posting.printer, "")
    return PricedPages(posting.channel, 0, posting.at_us, price_class, _sides(ticket), _size(ticket))


def _add_decided(
    posting: DecisionPosting,
    priced: PricedPages,
    by: CostsBy,
    people: People,
    rates: Rates,
    lines: dict[tuple[str, str], Costs],
) -> None:
    for account, pages in posting.legs:
        if is_house(account):
            continue
        centre = cost_centre_of(account)
        owner = account if centre is not None else owner_of(account)
        line = _line(lines, by, _Receiver(posting.printer, owner, posting.at_us, centre), people)
        _add(line, replace(priced, pages=pages), rates)


async def _batches(charges: AsyncIterable[Charge], channels: Collection[str]) -> AsyncIterator[list[Charge]]:
    batch: list[Charge] = []
    async for charge in charges:
        if charge.charged and charge.channel in channels:
            batch.append(charge)
        if len(batch) == BATCH:
            yield batch
            batch = []
    yield batch


async def _tickets_of(held: Reads, batch: Sequence[Charge]) -> Mapping[_Start, Ticket]:
    """As each release's own start notice says; few statements for many releases. A name may be used again."""
    names: dict[str, dict[str, None]] = {}
    for charge in batch:
        names.setdefault(charge.release.source, {})[charge.release.release] = None
    tickets: dict[_Start, Ticket] = {}
    for source, releases in names.items():
        for start in await held.release_starts(source, list(releases), batch[0].started_us, batch[-1].started_us):
            tickets[start.printer, source, start.release, start.origin.at_us] = start.ticket
    return tickets


def _start_of(charge: Charge) -> _Start:
    return charge.printer, charge.release.source, charge.release.release, charge.started_us


def _key(by: CostsBy, one: _Receiver, people: People) -> tuple[str, str]:
    match by:
        case "person":
            return ("", one.owner) if one.centre is not None else people.who(one.owner, one.at_us)
        case "cost-centre":
            return "", people.at(one.owner, one.at_us) if one.centre is None else one.centre
        case "printer":
            return "", one.printer


def _line(lines: dict[tuple[str, str], Costs], by: CostsBy, one: _Receiver, people: People) -> Costs:
    key = _key(by, one, people)
    line = lines.get(key)
    if line is None:
        named = Costs(one.owner, person=key[0], name=people.name_of(Who(*key)))
        line = lines[key] = named if by == "person" else Costs(key[1])
    return line


def _pages(charge: Charge, ticket: Ticket, price_class: str) -> PricedPages:
    sides, size = _sides(ticket), _size(ticket)
    return PricedPages(charge.channel, charge.charged, charge.started_us, price_class, sides, size)


def _sides(ticket: Ticket) -> Sides | None:
    if ticket.sides is None:
        return None
    return "one-sided" if ticket.sides == "one-sided" else "two-sided"


def _size(ticket: Ticket) -> Size | None:
    large = None if ticket.media is None else is_large(ticket.media)
    return None if large is None else "large" if large else "small"
