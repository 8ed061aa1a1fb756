"""The rows that a statement is made of: those of today, or of a closed period those that were frozen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.accounts.decided_totals import with_decisions
from pagereeve.domain.accounts.decisions import DecisionPosting
from pagereeve.domain.accounts.frozen import FrozenCharge, FrozenDecision, FrozenEdge, FrozenLine, FrozenRow, FrozenSaid
from pagereeve.domain.accounts.frozen_answers import FrozenAnswers, FrozenCost
from pagereeve.domain.accounts.people import People
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, EdgeStretch, PrinterAccounts
from pagereeve.domain.accounts.rates import Bill
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.ledger import Charge
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.reads import Reads
from pagereeve.ports.releases import ReleaseFilter
from pagereeve.ports.seal import SealHead
from pagereeve.queries.as_closed import AsClosed
from pagereeve.queries.as_sealed import period_of_closed
from pagereeve.queries.closed_costs import bill_of
from pagereeve.queries.closed_periods import seal_head_of
from pagereeve.queries.page_decisions import decided_in
from pagereeve.queries.people import people_of
from pagereeve.queries.releases import ReleasesAsked, person_of, releases_of
from pagereeve.queries.statement_decisions import Decided, with_decided
from pagereeve.queries.statement_lines import Subject
from pagereeve.queries.totals import accounts_read

CHARGES_MAX: Final = 50_000
"""A statement is held in memory and printed on paper; for more there are exports."""


@dataclass(frozen=True, slots=True)
class StatementRows:
    """``charges`` are the subject's in order of start, as counts have them: of each release all channels. ``accounts``
    are a printer's. ``frozen_bill``: costs as they were frozen, None where they were not.
    """

    period: Period
    charges: Sequence[Charge]
    decided: Decided
    accounts: AccountsOfPeriod | None
    seal: SealHead | None
    as_closed: AsClosed | None = None
    frozen_bill: Bill | None = None


async def rows_of_today(held: Reads, subject: Subject, period: Period) -> StatementRows:
    """Raises BadQuestion for too many."""
    people, charges = await people_of(held), await _charges(held, subject, period)
    decided = with_decided(subject, people, charges, await decided_in(held, period))
    accounts = None
    if subject.kind == "printer":
        accounts = _of_printer((await accounts_read(held, period, subject.name))[0], subject.name)
    return StatementRows(period, charges, decided, accounts, await held.seal_head())


async def _charges(held: Reads, subject: Subject, period: Period) -> list[Charge]:
    wanted = ReleaseFilter(
        printer=subject.name if subject.kind == "printer" else None,
        from_us=period.from_us,
        to_us=period.to_us,
        billed=False,
    )
    asked = ReleasesAsked(
        wanted,
        cost_centre=subject.name if subject.kind == "cost-centre" else None,
        person=subject.name if subject.kind == "person" else None,
    )
    charges: list[Charge] = []
    async for charge in releases_of(held, asked):
        _require_few(charges)
        charges.append(charge)
    return charges[::-1]


def _require_few(charges: Sequence[Charge]) -> None:
    """Raises BadQuestion."""
    if len(charges) == CHARGES_MAX:
        many = f"holds more than {CHARGES_MAX} charges, too many for a statement"
        raise BadQuestion("--period", f"{many}; name a shorter one, or use totals")


def _of_printer(accounts: AccountsOfPeriod, printer: str) -> AccountsOfPeriod:
    return AccountsOfPeriod(
        tuple(one for one in accounts.lines if one.printer == printer),
        tuple(one for one in accounts.edges if one.stretch.printer == printer),
    )


@dataclass(slots=True)
class _Frozen:
    """What frozen rows, fed in their order, hold of a subject."""

    subject: Subject
    people: People = field(default_factory=People)
    charges: list[Charge] = field(default_factory=list)
    postings: list[DecisionPosting] = field(default_factory=list)
    lines: list[PrinterAccounts] = field(default_factory=list)
    edges: list[EdgeStretch] = field(default_factory=list)
    costs: list[FrozenCost] = field(default_factory=list)
    priced: bool = False

    def add(self, row: FrozenRow) -> None:
        match row:
            case FrozenAnswers():
                self.priced = "prices" in row.kinds
            case FrozenCost(by=by) if by == self.subject.kind:
                self.costs.append(row)
            case FrozenLine():
                self.lines.append(row.accounts)
            case FrozenEdge():
                self.edges.append(row.edge)
            case FrozenSaid():
                self.people.add(row.fact)
            case FrozenDecision():
                self.postings.append(row.posting)
            case FrozenCharge() if self._is_own(row):
                _require_few(self.charges)
                self.charges.append(row.charge)
            case _:
                pass

    def _is_own(self, row: FrozenCharge) -> bool:
        charge, name = row.charge, self.subject.name
        match self.subject.kind:
            case "printer":
                return charge.printer == name
            case "cost-centre":
                return row.cost_centre == name
            case "person":
                person = person_of(self.people, name)
                if person:
                    return self.people.who(charge.owner, charge.started_us).person == person
                return owner_key(charge.owner) == owner_key(name)

    def accounts(self) -> AccountsOfPeriod | None:
        if self.subject.kind != "printer":
            return None
        accounts = with_decisions(AccountsOfPeriod(tuple(self.lines), tuple(self.edges)), self.postings)
        return _of_printer(accounts, self.subject.name)

    def bill(self) -> Bill | None:
        """None where no prices were frozen, and of a login that is several persons'."""
        name = self.subject.name
        if not self.priced or (self.subject.kind == "person" and self._is_of_several(name)):
            return None
        bill = Bill()
        for one in self.costs:
            if self._is_own_cost(one):
                bill.merge(bill_of(one))
        return bill

    def _is_of_several(self, name: str) -> bool:
        return len(self.people.persons_called(name)) > 1

    def _is_own_cost(self, one: FrozenCost) -> bool:
        if self.subject.kind != "person":
            return one.who == self.subject.name
        person = person_of(self.people, self.subject.name)
        if person:
            return one.person == person
        return not one.person and owner_key(one.who) == owner_key(self.subject.name)


async def frozen_rows_of(held: Reads, subject: Subject, closed: ClosedPeriod) -> StatementRows:
    """All frozen rows are gone through. Raises BadQuestion for too many, NotClosed where they were changed."""
    frozen, period = _Frozen(subject), period_of_closed(closed)
    async for row in held.frozen_rows(closed):
        frozen.add(row)
    decided = with_decided(subject, frozen.people, frozen.charges, frozen.postings)
    bill = frozen.bill()
    today = await rows_of_today(held, subject, period)
    as_closed = AsClosed(closed, _changed(decided, today.decided), () if bill is not None else ("prices",))
    return StatementRows(period, frozen.charges, decided, frozen.accounts(), seal_head_of(closed), as_closed, bill)


def _changed(then: Decided, now: Decided) -> int:
    """Pages that the subject is charged more, and less, in each release's billed channels."""
    pages = _charged(now)
    pages.subtract(_charged(then))
    return sum(map(abs, pages.values()))


def _charged(decided: Decided) -> Counter[tuple[object, ...]]:
    pages: Counter[tuple[object, ...]] = Counter()
    for one in decided.charges:
        if one.channel in CLAIMED_CHANNELS:
            pages[one.printer, one.release, one.channel, one.started_us] += one.charged
    for line in decided.pages:
        if line.billed:
            pages[line.decision, line.channel] += line.pages
    return pages
