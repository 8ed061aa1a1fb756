"""What decisions change in a period's accounts and totals: pages go from one account to another, claims are settled."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from pagereeve.domain.accounts.decisions import DecisionPosting
from pagereeve.domain.accounts.export_rows import ExportRow
from pagereeve.domain.accounts.people import People
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, PrinterAccounts
from pagereeve.domain.accounts.totals import By, Total, Totals
from pagereeve.domain.ledger import PEOPLE, account_kind, cost_centre_of, is_house, owner_of


def with_decisions(accounts: AccountsOfPeriod, postings: Iterable[DecisionPosting]) -> AccountsOfPeriod:
    """The same meters; people and house accounts with what decisions moved between them."""
    lines = {(one.printer, one.channel, one.unit): replace(one, received=dict(one.received)) for one in accounts.lines}
    for posting in postings:
        key = (posting.printer, posting.channel, posting.unit)
        if key not in lines and posting.legs:
            lines[key] = PrinterAccounts(*key)
        for account, pages in posting.legs:
            lines[key].received[account_kind(account)] += pages
    return replace(accounts, lines=tuple(lines[key] for key in sorted(lines)))


def add_decisions(summed: Totals, postings: Iterable[DecisionPosting], people: People) -> None:
    """Add what decisions charge, and take the claims that they settle out of what is unproven."""
    for posting in postings:
        for who, change in _changes(summed.by, posting, people):
            summed.merge(who, change, posting.at_us)


def with_decisions_by_printer(totals: Sequence[Total], postings: Sequence[DecisionPosting]) -> Sequence[Total]:
    """Lines by printer, as ``add_decisions``."""
    if not postings:
        return totals
    summed = Totals("printer")
    for total in totals:
        summed.merge(total.who, total, 0)
    add_decisions(summed, postings, People())
    return summed.lines()


def release_rows(postings: Iterable[DecisionPosting]) -> Iterator[ExportRow]:
    """A row for each account that a decision changes, and one for a claim that it settles; the release's own row stays
    as its claim and its count have it.
    """
    for posting in postings:
        settled = posting.unproven
        for account, pages in posting.legs:
            people = not is_house(account)
            figures = _total(posting, charged=pages, unproven=settled) if people else None
            settled = 0 if people else settled
            yield _row(posting, account, pages, figures)
        if settled:
            yield _row(posting, "", 0, _total(posting, unproven=settled))


def _row(posting: DecisionPosting, account: str, pages: int, figures: Total | None) -> ExportRow:
    centre = cost_centre_of(account)
    if not account:
        who = "" if posting.charge is None else posting.charge.owner
    else:
        who = owner_of(account) if centre is None and not is_house(account) else ""
    shown = account if is_house(account) or centre is not None else PEOPLE
    billed = Total("", posting.channel, "").billed
    return ExportRow(
        *("decision", shown, who, posting.channel, posting.unit, pages, billed, figures, posting.charge),
        decision=posting.decided.origin.id,
    )


def _changes(by: By, posting: DecisionPosting, people: People) -> Iterator[tuple[str, Total]]:
    if posting.unproven and posting.charge is not None:
        yield _who(by, posting, posting.charge.owner, people), _total(posting, unproven=posting.unproven)
    for account, pages in posting.legs:
        if not is_house(account):
            yield _receiver(by, posting, account, people), _total(posting, charged=pages)


def _receiver(by: By, posting: DecisionPosting, account: str, people: People) -> str:
    """Pages of a cost centre are of no person: among persons its account stands for itself."""
    centre = cost_centre_of(account)
    if centre is None or by == "printer":
        return _who(by, posting, owner_of(account), people)
    return centre if by == "cost-centre" else account


def _who(by: By, posting: DecisionPosting, owner: str, people: People) -> str:
    match by:
        case "person":
            return owner
        case "cost-centre":
            return people.at(owner, posting.at_us)
        case "printer":
            return posting.printer


def _total(posting: DecisionPosting, *, charged: int = 0, unproven: int = 0) -> Total:
    return Total("", posting.channel, posting.unit, charged=charged, unproven=unproven)
