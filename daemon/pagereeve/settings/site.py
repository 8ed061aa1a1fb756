"""[site] and [[periods]]: the zone in which the site's days begin, and periods of its own."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Final, Self

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema, model_validator

from pagereeve.domain.accounts.own_periods import OwnPeriod, trouble_of
from pagereeve.domain.accounts.periods import YEAR_LEAST, YEAR_MOST, zone_of
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import DATE_PATTERN
from pagereeve.ports.setting_types import Name, Section


def _zone_name(text: str) -> str:
    try:
        zone_of(text)
    except BadQuestion as error:
        raise ValueError(error.problem) from error
    return text


class SiteSettings(Section):
    """[site]: what is the same for all of it."""

    zone: Annotated[str, AfterValidator(_zone_name)] = "UTC"

    @property
    def zone_is_default(self) -> bool:
        """Nobody wrote a zone, not even UTC."""
        return "zone" not in self.model_fields_set


def _date(value: object) -> object:
    if isinstance(value, datetime) or not isinstance(value, str | date):
        raise ValueError('is no date; write "2026-09-07"')  # noqa: TRY004 - pydantic asks for a ValueError
    return value


def _known_year(value: date) -> date:
    """Beyond these years a day's beginning is no instant in every zone."""
    if not YEAR_LEAST <= value.year <= YEAR_MOST:
        raise ValueError(f"is out of range; years {YEAR_LEAST} to {YEAR_MOST} are known")
    return value


_TEXT: Final = {"type": "string", "format": "date", "pattern": f"^{DATE_PATTERN}$"}
LocalDate = Annotated[date, BeforeValidator(_date), AfterValidator(_known_year), WithJsonSchema(_TEXT)]


class PeriodSettings(Section):
    """One of [[periods]]: local dates, the second not included."""

    name: Name
    from_: LocalDate = Field(alias="from")
    to: LocalDate

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if trouble := trouble_of(self.own_period()):
            raise ValueError(trouble)
        return self

    def own_period(self) -> OwnPeriod:
        return OwnPeriod(self.name, self.from_, self.to)
