"""What charged pages cost in a period, by the rate cards that held when their releases started."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from pagereeve.domain.accounts.people import People, Who
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.rates import Amount, Bill, PricedPages, Rates, Sides, Size, total_of
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.facts.media import is_large
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.ledger import Charge
from pagereeve.ports.reads import Reads
from pagereeve.queries.people import people_of

CostsBy = Literal["person", "cost-centre", "printer"]
NO_TICKET: Final = Ticket()


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
    def unpriced(self) -> int:
        return sum(line.bill.unpriced for line in self.lines)


async def costs_of(reads: Reads, period: Period, by: CostsBy, rates: Rates, classes: Mapping[str, str]) -> CostsAnswer:
    """``classes``: each printer's price class. All is read at one moment; tickets only where a price asks for them."""
    async with reads.snapshot() as held:
        people = People() if by == "printer" else await people_of(held)
        priced, lines = rates.priced_channels(), dict[tuple[str, str], Costs]()
        ticket, of = NO_TICKET, None
        async for charge in held.charges(period.from_us, period.to_us):
            if not charge.charged or charge.channel not in priced:
                continue
            if rates.asks_for_tickets and charge.release != of:
                ticket, of = await _ticket_of(held, charge), charge.release
            key = _key(charge, by, people)
            line = lines.get(key)
            if line is None:
                line = lines[key] = _line(charge, by, key, people)
            line.pages[charge.channel] = line.pages.get(charge.channel, 0) + charge.charged
            rates.charge(line.bill, _pages(charge, ticket, classes.get(charge.printer, "")))
    return CostsAnswer(period, by, tuple(sorted(lines.values(), key=lambda one: (one.who, one.person))))


async def _ticket_of(held: Reads, charge: Charge) -> Ticket:
    """As the release's own start notice says; nothing where it can't be told from another one of that name."""
    facts = await held.release_facts(charge.release.source, charge.release.release)
    starts = [one for one in facts if isinstance(one, ReleaseStarted) and one.origin.at_us == charge.started_us]
    return starts[-1].ticket if starts else NO_TICKET


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
