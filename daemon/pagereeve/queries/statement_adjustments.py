"""What a statement shows of earlier closed periods: adjustments that the statement's period takes over."""

from __future__ import annotations

from pagereeve.domain.accounts.entries import Correction
from pagereeve.domain.accounts.people import People
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.ledger import PEOPLE, is_house, is_meter
from pagereeve.ports.reads import Reads
from pagereeve.queries.adjustments import outstanding_in
from pagereeve.queries.people import people_of
from pagereeve.queries.statement_lines import StatementAdjustment, Subject


async def adjustments_of(
    held: Reads, subject: Subject, period: Period, *, names: bool
) -> tuple[StatementAdjustment, ...]:
    """``names``: with the persons of a cost centre's or a printer's. ``held`` is of one moment."""
    corrections = await outstanding_in(held, period)
    people = await people_of(held) if corrections else People()
    mine = [one for one in corrections if _is_of(one, subject, people)]
    return tuple(_shown(one, names=names or subject.kind == "person") for one in mine)


def _is_of(one: Correction, subject: Subject, people: People) -> bool:
    key = one.adjustment.key
    if subject.kind == "printer":
        return key.printer == subject.name
    if is_house(key.account) or is_meter(key.account):
        return False
    if subject.kind == "cost-centre":
        return one.cost_centre == subject.name
    persons = people.persons_called(subject.name)
    if len(persons) == 1:
        return bool(key.owner) and people.who(key.owner, one.adjustment.at_us).person == persons[0]
    return bool(key.owner) and owner_key(key.owner) == owner_key(subject.name)


def _shown(one: Correction, *, names: bool) -> StatementAdjustment:
    key = one.adjustment.key
    return StatementAdjustment(
        corrects=one.corrects,
        account=PEOPLE if key.owner else key.account,
        person=key.owner if names else "",
        printer=key.printer,
        channel=key.channel,
        unit=key.unit,
        source=key.source,
        release=key.release,
        pages=one.pages,
    )
