"""What tickets mean where they leave a member out: ``ticket`` of [policy] and of printers, and [[sources]]."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field

from pagereeve.domain.facts.policy import TICKET_DEFAULTS_MAX, Policy, TicketDefault
from pagereeve.domain.facts.ticket import COPIES_MAX, NUMBER_UP_MAX, SEPARATORS_MAX, ColorMode, Sides, Ticket
from pagereeve.ports.setting_types import Name, Section, Text, Whole

UNKNOWN: Final = "unknown"
Unknown = Literal["unknown"]


class TicketSettings(Section):
    """Members of a ticket, as events write them; "unknown" widens what is expected. What is left out says nothing."""

    copies: Annotated[Whole, Field(ge=1, le=COPIES_MAX)] | Unknown | None = None
    number_up: Annotated[Whole, Field(ge=1, le=NUMBER_UP_MAX)] | Unknown | None = None
    sides: Sides | Unknown | None = None
    color_mode: ColorMode | Unknown | None = None
    media: Annotated[Text, Field(min_length=1, max_length=200)] | None = None
    separator_sheets: Annotated[Whole, Field(ge=0, le=SEPARATORS_MAX)] | Unknown | None = None

    def to_ticket(self) -> Ticket:
        said = {name: value for name in type(self).model_fields if (value := getattr(self, name)) is not None}
        known = {name: value for name, value in said.items() if value != UNKNOWN}
        return Ticket(**known, unknown=tuple(sorted(said.keys() - known.keys())))

    def to_defaults(self, source: str = "") -> tuple[TicketDefault, ...]:
        ticket = self.to_ticket()
        return () if ticket == Ticket() else (TicketDefault(source, ticket),)


class SourceSettings(Section):
    """One of [[sources]]: ``source`` as its events name themselves; ``printers``: all of them where none is named."""

    source: Annotated[Text, Field(min_length=1)]
    printers: tuple[Name, ...] = Field(default=(), max_length=100_000)
    ticket: TicketSettings = TicketSettings()
    text: Text = ""


def with_sources(policy: Policy, printer: str, sources: tuple[SourceSettings, ...]) -> tuple[TicketDefault, ...]:
    """The policy's defaults of tickets with those of the sources: what names the printer before what names none."""
    named = [one for one in sources if printer in one.printers]
    every = [one for one in sources if not one.printers]
    found = tuple(default for one in (*named, *every) for default in one.ticket.to_defaults(one.source))
    return (*found, *policy.tickets)[:TICKET_DEFAULTS_MAX]
