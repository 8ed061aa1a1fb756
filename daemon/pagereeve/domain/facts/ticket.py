"""What was released, in IPP's own keywords and numbers (RFC 8011, PWG 5100.x)."""

from __future__ import annotations

from collections.abc import Iterable
from operator import attrgetter
from typing import Any, Final, Literal

from pagereeve.domain.values.records import dataclass

Sides = Literal["one-sided", "two-sided-long-edge", "two-sided-short-edge"]
ColorMode = Literal["monochrome", "color", "auto"]

PAGES_MAX = 10_000_000
COPIES_MAX = 100_000
NUMBER_UP_MAX = 256
SEPARATORS_MAX = 2


@dataclass(frozen=True, slots=True)
class Ticket:
    """``pages`` are logical pages of one copy; ``separator_sheets`` are banner sheets for the whole job.

    None is never zero: the ticket does not say, so that a default holds (``filled``). Members in ``unknown`` have none:
    their source says that it does not know, or said what can't be. They are in order, and each of them is None.
    """

    pages: int | None = None
    copies: int | None = None
    sides: Sides | None = None
    number_up: int | None = None
    color_mode: ColorMode | None = None
    media: str | None = None
    separator_sheets: int | None = None
    title: str | None = None
    unknown: tuple[str, ...] = ()


COSTING: Final = ("color_mode", "copies", "media", "number_up", "pages", "separator_sheets", "sides")
"""The members that say what a job should cost, in order."""
_costs: Final = attrgetter(*COSTING)
NOTHING_KNOWN: Final = Ticket(unknown=COSTING)


def filled(ticket: Ticket, defaults: Iterable[Ticket]) -> Ticket:
    """Each member that the ticket leaves out as the first of ``defaults`` has it that says something of it, if only
    that it is unknown. What none says anything of is unknown.
    """
    said = _costs(ticket)
    if None not in said:
        return ticket
    members: dict[str, Any] = dict(zip(COSTING, said, strict=True))
    unknown = set(ticket.unknown)
    known = tuple(defaults)
    for name, value in members.items():
        if value is None and name not in unknown:
            members[name] = default = _first_said(name, known)
            if default is None:
                unknown.add(name)
    return Ticket(title=ticket.title, unknown=tuple(sorted(unknown)), **members)


def _first_said(name: str, tickets: Iterable[Ticket]) -> Any:
    for one in tickets:
        value = getattr(one, name)
        if value is not None or name in one.unknown:
            return value
    return None
