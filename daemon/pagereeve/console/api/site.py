"""What of the settings questions are answered by: it crosses from the daemon to its query process as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Self
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict

from pagereeve.domain.accounts.own_periods import OwnPeriod, chosen
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.rates import Rates
from pagereeve.settings import Settings
from pagereeve.settings.rates import RateSettings, rates_of
from pagereeve.settings.site import PeriodSettings, SiteSettings


class AskedPrinter(BaseModel):
    """A printer as the settings have it; nothing secret."""

    model_config = ConfigDict(frozen=True)

    name: str
    gateway: str | None = None
    host: str
    port: int
    site: str = ""
    price_class: str = ""


class AskedGateway(BaseModel):
    model_config = ConfigDict(frozen=True)

    name: str
    host: str | None = None
    checked: bool = False
    """Do the settings say where it shows a sign of life of its own?"""


class AskedSite(BaseModel):
    """The zone, the periods, the prices and the names of a site."""

    model_config = ConfigDict(frozen=True)

    site: SiteSettings = SiteSettings()
    periods: tuple[PeriodSettings, ...] = ()
    rates: tuple[RateSettings, ...] = ()
    printers: tuple[AskedPrinter, ...] = ()
    gateways: tuple[AskedGateway, ...] = ()
    provider: str = ""
    provider_start: str = ""
    """The host of the OpenID provider where people sign in, and where a browser begins; "" without one."""

    @classmethod
    def of(cls, settings: Settings) -> Self:
        oidc = settings.console.oidc
        return cls(
            site=settings.site,
            provider="" if oidc is None else oidc.issuer_host,
            provider_start="" if oidc is None else oidc.start,
            periods=settings.periods,
            rates=settings.rates,
            printers=tuple(
                AskedPrinter(
                    name=one.name,
                    gateway=one.gateway,
                    host=one.host,
                    port=one.port,
                    site=one.site,
                    price_class=one.price_class,
                )
                for one in settings.printers
            ),
            gateways=tuple(
                AskedGateway(name=one.name, host=one.host, checked=one.check is not None) for one in settings.gateways
            ),
        )

    @cached_property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.site.zone)

    @cached_property
    def own_periods(self) -> tuple[OwnPeriod, ...]:
        return tuple(one.own_period() for one in self.periods)

    @cached_property
    def prices(self) -> Rates:
        return rates_of(self.rates, self.zone)

    @cached_property
    def price_classes(self) -> Mapping[str, str]:
        return {one.name: one.price_class for one in self.printers}

    @cached_property
    def behind(self) -> Mapping[str, Sequence[str]]:
        """Names of the printers behind each gateway, in order."""
        found: dict[str, list[str]] = {one.name: [] for one in self.gateways}
        for printer in sorted(self.printers, key=lambda one: one.name):
            if printer.gateway is not None:
                found.setdefault(printer.gateway, []).append(printer.name)
        return found

    def chosen(self, period: str | None, from_: str | None = None, to: str | None = None) -> Period:
        """The period that a question names; all time where it names none. Raises BadQuestion."""
        return chosen(period, from_, to, self.zone, self.own_periods)
