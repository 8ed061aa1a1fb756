"""What late facts and decisions changed in earlier closed periods, as rows of the period that takes it over."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pagereeve.domain.accounts.entries import Correction
from pagereeve.domain.accounts.export_rows import ExportBy, ExportRow
from pagereeve.domain.accounts.people import People, Who
from pagereeve.domain.accounts.totals import Total
from pagereeve.domain.ledger import PEOPLE, cost_centre_of, is_house


def adjustment_rows(corrections: Iterable[Correction], by: ExportBy, people: People) -> Iterator[ExportRow]:
    """By release one for each account and release; else summed for whom ``by`` names. What the meter gives is in none:
    the rows add up to it.
    """
    received = [one for one in corrections if not one.is_of_meter]
    if by == "release":
        for one in received:
            yield _row(one, one.adjustment.key.owner, one.pages, by)
        return
    sums: dict[tuple[str, bool, Who, str, str, str], list[Correction]] = {}
    for one in received:
        key = one.adjustment.key
        billed = Total("", key.channel, "").billed
        place = (one.corrects, not billed, _whose(one, by, people), _account(one), key.channel, key.unit)
        sums.setdefault(place, []).append(one)
    for place, some in sorted(sums.items(), key=lambda item: item[0]):
        pages = sum(one.pages for one in some)
        if pages:
            who = place[2]
            owner = min(some, key=lambda one: (one.adjustment.at_us, one.adjustment.key)).adjustment.key.owner
            shown = owner if by == "person" else who.login
            yield _row(some[0], shown, pages, by, who.person, people.name_of(who) if who.person else "")


def _whose(one: Correction, by: ExportBy, people: People) -> Who:
    """An account of the house, or of a cost centre, is of no person; and an adjustment is of no day of the period."""
    key = one.adjustment.key
    if by == "printer":
        return Who("", key.printer)
    if by == "person" and key.owner:
        return people.who(key.owner, one.adjustment.at_us)
    return Who("", one.cost_centre if by == "cost-centre" else "")


def _account(one: Correction) -> str:
    account = one.adjustment.key.account
    return account if is_house(account) or cost_centre_of(account) is not None else PEOPLE


def _row(one: Correction, who: str, pages: int, by: ExportBy, person: str = "", name: str = "") -> ExportRow:
    key, account = one.adjustment.key, _account(one)
    figures = None if is_house(account) else Total(who, key.channel, key.unit, charged=pages, person=person, name=name)
    billed = Total("", key.channel, "").billed
    return ExportRow(
        *("adjustment", account, who, key.channel, key.unit, pages, billed, figures),
        corrects=one.corrects,
        correction=one if by == "release" else None,
    )


@dataclass(frozen=True, slots=True)
class Adjusted:
    """All corrections of one closed period in a channel and unit; ``meters`` is by how much these counted otherwise."""

    corrects: str
    channel: str
    unit: str
    people: int
    house: int
    meters: int

    @property
    def balanced(self) -> bool:
        return self.people + self.house == self.meters


def adjusted(corrections: Iterable[Correction]) -> Sequence[Adjusted]:
    """In order of period, channel and unit."""
    sums: dict[tuple[str, str, str], list[int]] = {}
    for one in corrections:
        key = one.adjustment.key
        figures = sums.setdefault((one.corrects, key.channel, key.unit), [0, 0, 0])
        if one.is_of_meter:
            figures[2] -= one.pages
        else:
            figures[1 if is_house(key.account) else 0] += one.pages
    return [Adjusted(*place, *figures) for place, figures in sorted(sums.items())]
