"""What decisions change in a statement: its releases' own figures, and lines of their own for pages of others."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from pagereeve.domain.accounts.decisions import DecisionPosting
from pagereeve.domain.accounts.people import People
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.ledger import Charge, ReleaseKey, cost_centre_of, is_house, owner_of
from pagereeve.queries.releases import person_of
from pagereeve.queries.statement_lines import DecidedPages, Subject

ReleaseChannel = tuple[str, ReleaseKey, str, int]
"""Printer, release, channel and start: a name may be used again."""
Reaches = Callable[[DecisionPosting, str], bool]
"""Whether pages that a posting gives to a people account are of the statement's subject."""


@dataclass(frozen=True, slots=True)
class Decided:
    """``charges`` with what was decided of each release for its own owner; ``pages`` are lines beside them.

    ``postings`` have no other legs than those of the subject: what they charge is what they add to the statement.
    """

    charges: Sequence[Charge]
    pages: Sequence[DecidedPages]
    postings: Sequence[DecisionPosting]


def with_decided(
    subject: Subject, people: People, charges: Sequence[Charge], decided: Iterable[DecisionPosting]
) -> Decided:
    """``charges`` are the subject's, ``decided`` all that was decided of the period's pages."""
    changes: dict[ReleaseChannel, tuple[int, int]] = dict.fromkeys(map(_place, charges), (0, 0))
    reaches = _reaching(subject, people)
    pages: list[DecidedPages] = []
    postings: list[DecisionPosting] = []
    for posting in decided:
        place = None if posting.charge is None else _place(posting.charge)
        listed = place if place in changes else None
        legs = tuple((account, many) for account, many in posting.legs if reaches(posting, account))
        own = sum(many for account, many in legs if listed is not None and _is_own(posting, account))
        if listed is not None:
            charged, unproven = changes[listed]
            changes[listed] = charged + own, unproven + posting.unproven
        pages += [
            _pages(posting, account, many)
            for account, many in legs
            if many and not (listed is not None and _is_own(posting, account))
        ]
        if legs:
            postings.append(replace(posting, legs=legs))
    return Decided([_changed(one, changes[_place(one)]) for one in charges], pages, postings)


def _place(charge: Charge) -> ReleaseChannel:
    return charge.printer, charge.release, charge.channel, charge.started_us


def _is_own(posting: DecisionPosting, account: str) -> bool:
    """Its receiver is the release's own owner, however the login is written."""
    return (
        posting.charge is not None
        and cost_centre_of(account) is None
        and owner_key(owner_of(account)) == owner_key(posting.charge.owner)
    )


def _reaching(subject: Subject, people: People) -> Reaches:
    """As domain.accounts.decided_totals says which line of totals an account's pages are in."""
    person = person_of(people, subject.name) if subject.kind == "person" else ""
    key = owner_key(subject.name)

    def reaches(posting: DecisionPosting, account: str) -> bool:
        if is_house(account):
            return False
        centre = cost_centre_of(account)
        match subject.kind:
            case "printer":
                return posting.printer == subject.name
            case "cost-centre":
                own = people.at(owner_of(account), posting.at_us) if centre is None else centre
                return own == subject.name
            case "person":
                if centre is not None:
                    return False
                owner = owner_of(account)
                return people.who(owner, posting.at_us).person == person if person else owner_key(owner) == key

    return reaches


def _pages(posting: DecisionPosting, account: str, pages: int) -> DecidedPages:
    said = posting.decided.said
    return DecidedPages(
        decision=posting.decided.origin.id,
        act=said.act,
        reason=said.reason,
        taken_from=said.taken_from,
        at_us=posting.at_us,
        printer=posting.printer,
        channel=posting.channel,
        unit=posting.unit,
        pages=pages,
        owner="" if cost_centre_of(account) is not None else owner_of(account),
    )


def _changed(charge: Charge, change: tuple[int, int]) -> Charge:
    charged, unproven = change
    if not charged and not unproven:
        return charge
    return replace(charge, charged=charge.charged + charged, unproven=charge.unproven + unproven)
