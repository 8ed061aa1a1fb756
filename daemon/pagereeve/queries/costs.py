"""What charged pages cost in a period, by the rate cards that held when their releases started."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from pagereeve.domain.accounts.cost_centres import CostCentres
from pagereeve.domain.accounts.decisions import DecisionPosting
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.rates import Amount, Bill, PricedPages, Rates, Sides, Size, total_of
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.facts.media import is_large
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.ledger import Charge, cost_centre_of, is_house, owner_of
from pagereeve.ports.reads import Reads
from pagereeve.queries.page_decisions import decided_in

CostsBy = Literal["person", "cost-centre", "printer"]
NO_TICKET: Final = Ticket()


@dataclass(slots=True)
class Costs:
    """One line. ``pages`` are charged pages of the channels that have a price, each channel's for itself."""

    who: str
    pages: dict[str, int] = field(default_factory=dict)
    bill: Bill = field(default_factory=Bill)


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
        centres = await _centres(held) if by == "cost-centre" else CostCentres()
        priced, lines = rates.priced_channels(), dict[str, Costs]()
        ticket, of = NO_TICKET, None
        async for charge in held.charges(period.from_us, period.to_us):
            if not charge.charged or charge.channel not in priced:
                continue
            if rates.asks_for_tickets and charge.release != of:
                ticket, of = await _ticket_of(held, charge), charge.release
            key, who = _who(charge, by, centres)
            line = lines.setdefault(key, Costs(who))
            line.pages[charge.channel] = line.pages.get(charge.channel, 0) + charge.charged
            rates.charge(line.bill, _pages(charge, ticket, classes.get(charge.printer, "")))
        for posting in await decided_in(held, period):
            if posting.channel in priced:
                await _add_decided(held, posting, by, centres, rates, classes, lines)
    return CostsAnswer(period, by, tuple(sorted(lines.values(), key=lambda one: one.who)))


async def _add_decided(
    held: Reads,
    posting: DecisionPosting,
    by: CostsBy,
    centres: CostCentres,
    rates: Rates,
    classes: Mapping[str, str],
    lines: dict[str, Costs],
) -> None:
    """At the price of the day on which the pages came; sheets of a claim are as its release's ticket says."""
    ticket = NO_TICKET
    if rates.asks_for_tickets and posting.unproven and posting.charge is not None:
        ticket = await _ticket_of(held, posting.charge)
    sides, size = _sides(ticket), _size(ticket)
    price_class = classes.get(posting.printer, "")
    for account, pages in posting.legs:
        if is_house(account):
            continue
        key, who = _receiver(account, posting, by, centres)
        line = lines.setdefault(key, Costs(who))
        line.pages[posting.channel] = line.pages.get(posting.channel, 0) + pages
        rates.charge(line.bill, PricedPages(posting.channel, pages, posting.at_us, price_class, sides, size))


def _receiver(account: str, posting: DecisionPosting, by: CostsBy, centres: CostCentres) -> tuple[str, str]:
    centre, owner = cost_centre_of(account), owner_of(account)
    if by == "printer":
        return posting.printer, posting.printer
    if by == "person":
        return (owner_key(owner), owner) if centre is None else (account, account)
    shown = centres.at(owner, posting.at_us) if centre is None else centre
    return shown, shown


async def _centres(held: Reads) -> CostCentres:
    centres = CostCentres()
    async for stored in held.facts(""):
        centres.add(stored.fact)
    return centres


async def _ticket_of(held: Reads, charge: Charge) -> Ticket:
    """As the release's own start notice says; nothing where it can't be told from another one of that name."""
    facts = await held.release_facts(charge.release.source, charge.release.release)
    starts = [one for one in facts if isinstance(one, ReleaseStarted) and one.origin.at_us == charge.started_us]
    return starts[-1].ticket if starts else NO_TICKET


def _who(charge: Charge, by: CostsBy, centres: CostCentres) -> tuple[str, str]:
    match by:
        case "person":
            return owner_key(charge.owner), charge.owner
        case "cost-centre":
            centre = centres.at(charge.owner, charge.started_us)
            return centre, centre
        case "printer":
            return charge.printer, charge.printer


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
