"""What charged pages cost in a period, by the rate cards that held when their releases started."""

from __future__ import annotations

from collections.abc import AsyncIterator, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from pagereeve.domain.accounts.people import People, Who
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.rates import Amount, Bill, PricedPages, Rates, Sides, Size, total_of
from pagereeve.domain.facts.media import is_large
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.ledger import Charge
from pagereeve.ports.reads import Reads
from pagereeve.queries.people import people_of

CostsBy = Literal["person", "cost-centre", "printer"]
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
class CostsAnswer:
    period: Period
    by: CostsBy
    lines: tuple[Costs, ...]

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


async def costs_of(reads: Reads, period: Period, by: CostsBy, rates: Rates, classes: Mapping[str, str]) -> CostsAnswer:
    """``classes``: each printer's price class. All is read at one moment; tickets only where a price asks for them."""
    async with reads.snapshot() as held:
        people = People() if by == "printer" else await people_of(held)
        lines = dict[tuple[str, str], Costs]()
        async for batch in _batches(held, period, rates.priced_channels()):
            tickets = await _tickets_of(held, batch) if rates.asks_for_tickets else {}
            for charge in batch:
                key = _key(charge, by, people)
                line = lines.get(key)
                if line is None:
                    line = lines[key] = _line(charge, by, key, people)
                line.pages[charge.channel] = line.pages.get(charge.channel, 0) + charge.charged
                ticket = tickets.get(_start_of(charge), NO_TICKET)
                rates.charge(line.bill, _pages(charge, ticket, classes.get(charge.printer, "")))
    return CostsAnswer(period, by, tuple(sorted(lines.values(), key=lambda one: (one.who, one.person))))


async def _batches(held: Reads, period: Period, channels: Collection[str]) -> AsyncIterator[list[Charge]]:
    batch: list[Charge] = []
    async for charge in held.charges(period.from_us, period.to_us):
        if charge.charged and charge.channel in channels:
            batch.append(charge)
        if len(batch) == BATCH:
            yield batch
            batch = []
    yield batch


async def add_cost(held: Reads, bill: Bill, charge: Charge, rates: Rates, price_class: str) -> None:
    """Add what one charge costs; its ticket is read only where a price asks for it."""
    if charge.charged and charge.channel in rates.priced_channels():
        tickets = await _tickets_of(held, [charge]) if rates.asks_for_tickets else {}
        rates.charge(bill, _pages(charge, tickets.get(_start_of(charge), NO_TICKET), price_class))


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


def _key(charge: Charge, by: CostsBy, people: People) -> tuple[str, str]:
    match by:
        case "person":
            return people.who(charge.owner, charge.started_us)
        case "cost-centre":
            return "", people.at(charge.owner, charge.started_us)
        case "printer":
            return "", charge.printer


def _line(charge: Charge, by: CostsBy, key: tuple[str, str], people: People) -> Costs:
    if by == "person":
        return Costs(charge.owner, person=key[0], name=people.name_of(Who(*key)))
    return Costs(key[1])


def _pages(charge: Charge, ticket: Ticket, price_class: str) -> PricedPages:
    sides: Sides | None = None
    if ticket.sides is not None:
        sides = "one-sided" if ticket.sides == "one-sided" else "two-sided"
    large = None if ticket.media is None else is_large(ticket.media)
    size: Size | None = None if large is None else "large" if large else "small"
    return PricedPages(charge.channel, charge.charged, charge.started_us, price_class, sides, size)
