"""What was released, one charge after the other, and to which cost centre its owner belonged then."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass, replace

from pagereeve.domain.accounts.cost_centres import NOBODY_SAID, CostCentres
from pagereeve.domain.ledger import Charge
from pagereeve.ports.reads import Reads
from pagereeve.ports.releases import PAGE_MAX, ReleaseFilter, ReleasePlace


@dataclass(frozen=True, slots=True)
class ReleasesAsked:
    """``cost_centre``: only releases whose owner belonged to it when they started; "" means to none, None to any."""

    wanted: ReleaseFilter
    cost_centre: str | None = None


async def releases_of(held: Reads, asked: ReleasesAsked) -> AsyncIterator[Charge]:
    """The newest first; ``held`` is of one moment. Memory in proportion to a page."""
    wanted, centres = asked.wanted, CostCentres()
    if asked.cost_centre is not None:
        centres = await cost_centres(held)
        if asked.cost_centre != NOBODY_SAID:
            members = centres.members(asked.cost_centre)
            wanted = replace(wanted, owners=members if wanted.owners is None else wanted.owners & members)
    after: ReleasePlace | None = None
    while True:
        page = await held.releases_page(wanted, PAGE_MAX, after)
        for charge in page.charges:
            if asked.cost_centre in {None, centres.at(charge.owner, charge.started_us)}:
                yield charge
        after = page.after
        if after is None:
            return


async def cost_centres(held: Reads) -> CostCentres:
    centres = CostCentres()
    async for stored in held.facts(""):
        centres.add(stored.fact)
    return centres
