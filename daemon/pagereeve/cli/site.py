"""The zone and the periods that a command goes by: its options, else the site's settings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.own_periods import OwnPeriod, chosen
from pagereeve.domain.accounts.periods import Period, zone_of
from pagereeve.settings import load_settings

ZoneFrom = Literal["option", "settings", "default"]
DEFAULT_ZONE: Final = "UTC"
NO_ZONE_SET: Final = "Days begin in UTC, as no zone is set: write [site] zone into the settings, or give --zone."


@dataclass(frozen=True, slots=True)
class Site:
    """``zone_from``: who said the zone; nobody, where it is the default."""

    zone: ZoneInfo
    zone_from: ZoneFrom
    periods: Sequence[OwnPeriod] = ()

    def chosen(self, period: str | None, from_: str | None, to: str | None) -> Period:
        """The period that the options name. Raises BadQuestion."""
        return chosen(period, from_, to, self.zone, self.periods)

    def note(self) -> list[str]:
        """What people should know of the zone."""
        return [NO_ZONE_SET] if self.zone_from == "default" else []


def site_of(config: Path | None, data_dir: Path | None, zone: str | None) -> Site:
    """The option wins. With a folder in the place of settings there are none. Raises BadQuestion or BadSettings."""
    given = None if zone is None else zone_of(zone)
    if config is None or data_dir is not None:
        return Site(given or ZoneInfo(DEFAULT_ZONE), "default" if given is None else "option")
    settings = load_settings(config)
    periods = tuple(one.own_period() for one in settings.periods)
    if given is not None:
        return Site(given, "option", periods)
    return Site(ZoneInfo(settings.site.zone), "default" if settings.site.zone_is_default else "settings", periods)
