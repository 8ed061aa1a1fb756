"""What other journals hold of a release leads no notice to their printers."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.engine.intake.releases import own_notices
from pagereeve.store.memory.journal import MemoryJournal
from tests.forwarded import sealed, site_of
from tests.journal_samples import SERVER, started


async def test_notices_at_printers_of_other_journals_are_left_out() -> None:
    centre, heard = MemoryJournal(), started("e1", "library", release="r1")
    site = await site_of([heard])
    await centre.append_forwarded(await site.own_origin(), "north", sealed(site))
    assert len(await centre.release_facts(SERVER, "r1")) == 1
    assert await own_notices(centre, SERVER, "r1") == []
    other = replace(heard, printer="east/library")
    await centre.append(other)
    assert await own_notices(centre, SERVER, "r1") == [other]
