"""Which sites that forward are behind in a period."""

from __future__ import annotations

from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.sites_behind import SiteBehind, behind_at, behind_now
from pagereeve.domain.facts.sites import DIVIDER, site_of
from pagereeve.ports.reads import Reads


async def sites_to_wait_for(held: Reads, period: Period) -> list[SiteBehind]:
    """Before the period is closed; ``held`` is of one moment."""
    sites = [one.site for one in await held.origins()]
    return behind_at(period.to_us, sites, await held.site_checks()) if sites else []


async def sites_behind(held: Reads, period: Period, printer: str = "") -> tuple[SiteBehind, ...]:
    """For whoever reads figures of it; of one ``printer`` its own site alone."""
    sites = [one.site for one in await held.origins()]
    if printer:
        sites = [one for one in sites if DIVIDER in printer and one == site_of(printer)]
    return tuple(behind_now(period.to_us, sites, await held.site_checks())) if sites else ()
