"""The period of a question, as every question names it."""

from __future__ import annotations

from pydantic import Field

from pagereeve.console.api.paging import Asked
from pagereeve.console.api.site import AskedSite
from pagereeve.domain.accounts.periods import Period


class PeriodAsked(Asked):
    """All time, where nothing is said."""

    period: str | None = Field(default=None, max_length=100, description="2026-11, 2026-W48, or a name of [[periods]].")
    from_: str | None = Field(
        default=None, alias="from", max_length=40, description="Beginning: a local date, or an RFC 3339 time."
    )
    to: str | None = Field(default=None, max_length=40, description="End, not included.")

    def period_at(self, site: AskedSite) -> Period:
        """Raises BadQuestion."""
        return site.chosen(self.period, self.from_, self.to)
