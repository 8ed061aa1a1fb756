"""A centre tells of a site of which not all is here, once, and that it is over: in each kind of journal."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.sites.joining import SiteFacts
from pagereeve.domain.facts.facts import JOURNAL_SOURCE, ReceiverChanged, SiteChecked
from pagereeve.domain.forwarding.batch import batch_bytes
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.domain.forwarding.standing import LATE_US, UNHEARD_US
from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.engine.forwarding.site_watch import SiteWatch
from pagereeve.ports.store import Store
from tests.forwarding import SealingSite
from tests.integration.test_site_facts import annex
from tests.journal_samples import NOON_US, SECOND_US, origin

DAY_US = 86_400 * SECOND_US


class SetClock(SystemClock):
    at_us = NOON_US

    def now_us(self) -> int:
        return self.at_us


class Centre:
    """What joins, and what tells, by a clock that is set; ``again`` is the same after a restart."""

    def __init__(self, store: Store, clock: SetClock | None = None) -> None:
        self.store, self.clock = store, clock or SetClock()
        self.facts = SiteFacts(store, self.clock)
        self.badges = BadgeWatcher(store, self.clock)
        self.watch = SiteWatch(self.facts.seen, store, self.clock, ZoneInfo("Europe/Berlin"), self.badges.accept)

    async def again(self) -> Centre:
        later = Centre(self.store, self.clock)
        await later.facts.open()
        return later

    async def hears(self, site: SealingSite, after: int, limit: int = 512) -> None:
        await self.facts.join(batch_bytes(site.batch(after, limit)), "annex")

    async def told(self) -> SiteChecked | None:
        await self.watch.look()
        return (await self.store.site_checks()).get("annex")

    async def tells(self) -> tuple[str, int, str] | None:
        one = await self.told()
        return None if one is None else (one.state, one.known_us, one.why)

    async def count(self) -> int:
        return len([one async for one in self.store.badge_facts() if isinstance(one, SiteChecked)])


async def test_a_site_that_falls_silent_is_told_once_and_that_it_is_back(store: Store) -> None:
    centre, site = Centre(store), annex()
    assert await centre.tells() is None
    await centre.hears(site, 0, 4)
    assert await centre.tells() is None
    await centre.hears(site, 4)
    assert await centre.tells() == ("whole", NOON_US, "")
    centre.clock.at_us += LATE_US - 1
    assert await centre.tells() == ("whole", NOON_US, "")
    centre.clock.at_us += 1
    assert await centre.tells() == ("silent", NOON_US, "")
    # Nor does a restart say it again, however long it takes.
    centre = await centre.again()
    centre.clock.at_us += UNHEARD_US
    assert await centre.tells() == ("silent", NOON_US, "")
    assert await centre.count() == 2
    await centre.hears(site, 9)
    back = await centre.told()
    assert back is not None
    assert (back.state, back.known_us, back.place) == ("whole", centre.clock.at_us, 9)
    assert await centre.count() == 3


async def test_refused_facts_are_told_by_their_cause(store: Store) -> None:
    centre, site = Centre(store), annex()
    await centre.hears(site, 0)
    await centre.watch.look()
    edited = annex(seed=1)
    for _ in range(3):
        centre.clock.at_us += LATE_US // 2
        with pytest.raises(BatchRefused):
            await centre.hears(edited, 9)
        await centre.watch.look()
    assert await centre.tells() == ("refused", NOON_US, "fork")


async def test_each_day_that_all_is_here_is_told_once(store: Store) -> None:
    centre, site = Centre(store), annex()
    await centre.hears(site, 0)
    for _ in range(2 * 24):
        await centre.hears(site, 9)
        await centre.watch.look()
        centre.clock.at_us += LATE_US
    assert await centre.count() == 3


async def test_the_latest_word_is_found_behind_many_others(store: Store) -> None:
    centre, site = Centre(store), annex()
    await centre.hears(site, 0)
    await centre.watch.look()
    for number in range(450):
        at_us = NOON_US + number
        said = origin(f"receiver-{number}", at_us=at_us, source=JOURNAL_SOURCE)
        await store.append(ReceiverChanged(said, f"desk-{number}", "retired"))
    assert await centre.tells() == ("whole", NOON_US, "")
