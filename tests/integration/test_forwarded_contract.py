"""What ports.origins promises of facts of other journals: in memory, in SQLite and in PostgreSQL alike."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from pagereeve.domain.facts.facts import Bound, Fact, PagesDecided, Redated, Registered, ReleaseStarted
from pagereeve.domain.facts.page_decision import DECISIONS_SOURCE, PageDecision
from pagereeve.domain.facts.sites import source_at
from pagereeve.domain.forwarding.batch import SealedPlace
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.domain.values.errors import BadFact
from pagereeve.ports.journal import Receipt
from pagereeve.ports.origins import ForwardedFact, KnownOrigin
from pagereeve.ports.store import Store
from pagereeve.queries.verify import verify
from tests.forwarded import sealed, site_of
from tests.journal_samples import NOON_US, SECOND_US, badge, origin, read, started

EVERYBODYS = "https://releases.invented.example/"


def local(event_id: str) -> ReleaseStarted:
    """From a release server of the site, which calls itself as it likes."""
    return replace(started(event_id, "library"), origin=origin(event_id, source="/rs"))


DAY: tuple[Fact, ...] = (
    Registered(NOON_US, "library", "gw-1"),
    read(100, "library"),
    local("r1"),
    badge("b1", "library"),
    read(104, "library", at_us=NOON_US + 60 * SECOND_US),
)


async def facts_of(store: Store, printer: str) -> list[Fact]:
    return [one.fact async for one in store.facts(printer)]


async def test_a_sites_facts_are_held_under_its_name_and_numbers(store: Store) -> None:
    site = await site_of(DAY)
    done = await store.append_forwarded(await site.own_origin(), "north", sealed(site))
    assert (done.place, done.facts) == (5, 5)
    assert done.since_us == {"north/": NOON_US, "north/library": NOON_US}
    assert await store.origins() == [KnownOrigin(1, await site.own_origin(), "north", 5)]
    assert await store.printers() == ["north/library"]
    assert len([one async for one in store.all_facts()]) == 5
    assert await facts_of(store, "north/") == [Registered(NOON_US, "north/library", "north/gw-1", "north/")]
    first, release, *_ = await facts_of(store, "north/library")
    assert first == read(100, "north/library")
    assert isinstance(release, ReleaseStarted)
    assert release.origin.source == "urn:pagereeve:site:north:/rs"
    assert [one.seq async for one in store.facts("north/library")] == [1, 2, 3, 4]


async def test_two_sites_and_the_centre_use_the_same_names_and_numbers(store: Store) -> None:
    await store.append(local("r1"))
    for name in ("north", "south"):
        site = await site_of(DAY)
        assert (await store.append_forwarded(await site.own_origin(), name, sealed(site))).facts == 5
    releases = [one for name in ("library", "north/library", "south/library") for one in await facts_of(store, name)]
    assert len({one.origin.key for one in releases if isinstance(one, ReleaseStarted)}) == 3
    assert await store.append(local("r1")) == Receipt("duplicate", 1)


async def test_what_comes_again_changes_nothing_and_what_follows_is_joined(store: Store) -> None:
    site = await site_of(DAY)
    own, facts = await site.own_origin(), sealed(site)
    assert (await store.append_forwarded(own, "north", facts[:3])).place == 3
    assert (await store.append_forwarded(own, "north", facts[:2])).facts == 0
    done = await store.append_forwarded(own, "north", facts[1:])
    assert (done.place, done.facts) == (5, 2)
    assert await store.append_forwarded(own, "north", []) == replace(done, facts=0, since_us={})
    assert await store.count_facts() == 5
    assert list(await store.held_places(own, 3, 10)) == [4, 5]
    assert await store.held_places(own, 4, 10) == {5: facts[4].held}
    assert await store.held_tips(own, ["library", "unknown"]) == {"library": facts[4].held}


async def refused(store: Store, origin_id: str, site: str, facts: list[ForwardedFact]) -> BatchRefused:
    before = await store.count_facts(), await store.origins()
    with pytest.raises(BatchRefused) as caught:
        await store.append_forwarded(origin_id, site, facts)
    assert (await store.count_facts(), await store.origins()) == before
    return caught.value


async def test_what_does_not_follow_what_is_held_is_refused(store: Store) -> None:
    site, other = await site_of(DAY), await site_of(DAY)
    own, facts = await site.own_origin(), sealed(site)
    gap = await refused(store, own, "north", facts[1:])
    assert (gap.cause, gap.place, gap.has) == ("gap", 2, 0)
    await store.append_forwarded(own, "north", facts[:2])
    gap = await refused(store, own, "north", facts[3:])
    assert (gap.cause, gap.place, gap.has) == ("gap", 4, 2)
    skipped = replace(facts[2], held=replace(facts[2].held, seq=9))
    assert (await refused(store, own, "north", [skipped])).cause == "gap"
    fork = await refused(store, own, "north", sealed(other)[1:3])
    assert (fork.cause, fork.place, fork.has) == ("fork", 2, 2)
    assert (await refused(store, own, "south", facts[2:])).cause == "wrong-origin"
    assert (await refused(store, await other.own_origin(), "north", sealed(other))).cause == "wrong-origin"
    assert (await refused(store, await store.own_origin(), "west", facts)).cause == "wrong-origin"
    assert (await refused(store, await other.own_origin(), "a/b", sealed(other))).cause == "wrong-origin"


async def test_each_link_is_computed_anew(store: Store) -> None:
    site = await site_of(DAY)
    own, facts = await site.own_origin(), sealed(site)
    body = facts[2].body
    assert body is not None
    edited = replace(facts[2], body=body.replace("job-1", "job-2"))
    assert edited.body != body
    assert (await refused(store, own, "north", [*facts[:2], edited])).cause == "broken-link"
    assert (await refused(store, own, "north", [*facts[:2], replace(facts[2], openings="")])).cause == "broken-link"


async def test_a_fact_whose_row_is_gone_there_leaves_its_link_alone(store: Store) -> None:
    site = await site_of(DAY)
    facts = sealed(site)
    facts[2] = replace(facts[2], body=None, openings="")
    assert (await store.append_forwarded(await site.own_origin(), "north", facts)).place == 5
    assert [one.seq async for one in store.facts("north/library")] == [1, 3, 4]


async def test_a_site_can_not_take_a_name_with_which_own_timelines_begin(store: Store) -> None:
    await store.append(started("r1", "north/library"))
    site = await site_of(DAY)
    assert (await refused(store, await site.own_origin(), "north", sealed(site))).cause == "name-taken"
    assert (await store.append_forwarded(await site.own_origin(), "nort", sealed(site))).facts == 5


async def test_nobody_else_adds_to_a_sites_timeline(store: Store) -> None:
    """A sender at the centre may name any printer; the next of the site would find its number taken."""
    site = await site_of(DAY)
    await store.append_forwarded(await site.own_origin(), "north", sealed(site))
    added = [store.append(badge("b7", "library")), store.append(started("r7", "north/library"))]
    stored, bad = await asyncio.gather(*added, return_exceptions=True)
    assert stored == Receipt("stored", 1)
    assert isinstance(bad, BadFact)
    assert "site north" in str(bad)
    assert await store.append(started("r7", "east/library")) == Receipt("stored", 1)
    await site.append(started("r8", "library"))
    assert (await store.append_forwarded(await site.own_origin(), "north", sealed(site))).place == 6


async def test_one_event_heard_in_two_journals_is_kept_of_both(store: Store) -> None:
    heard = replace(started("e1", "library", release="r1"), origin=origin("e1", source=EVERYBODYS))
    await store.append(heard)
    site = await site_of([heard])
    done = await store.append_forwarded(await site.own_origin(), "north", sealed(site))
    assert done.since_us == {"library": NOON_US, "north/library": NOON_US}
    keys = {one.origin.key for one in await store.release_facts(EVERYBODYS, "r1") if isinstance(one, ReleaseStarted)}
    assert keys == {(EVERYBODYS, "e1")}
    assert len(await store.release_facts(EVERYBODYS, "r1")) == 2
    assert (await store.append(heard)).outcome == "duplicate"


async def test_who_hears_what_a_site_forwarded_before_is_told_where_that_lies(store: Store) -> None:
    heard = replace(started("e1", "library", release="r1"), origin=origin("e1", source=EVERYBODYS))
    site = await site_of([heard])
    await store.append_forwarded(await site.own_origin(), "north", sealed(site))
    receipt = await store.append(heard)
    assert (receipt.outcome, receipt.twins) == ("stored", (("north/library", NOON_US),))
    assert (await store.append(local("r1"))).twins == ()
    assert len(await store.twins([(EVERYBODYS, "e1"), (EVERYBODYS, "none")])) == 2


async def test_what_another_journal_dated_otherwise_counts_so_here(store: Store) -> None:
    redated = Redated("library", NOON_US + 900 * SECOND_US, NOON_US, NOON_US + 90 * SECOND_US, SECOND_US, "op", "x")
    site = await site_of([*DAY, redated])
    await store.append_forwarded(await site.own_origin(), "north", sealed(site))
    there = [one.fact async for one in site.facts("library")]
    assert there[0] == read(100, "library", at_us=NOON_US + SECOND_US)
    assert (await facts_of(store, "north/library"))[0] == read(100, "north/library", at_us=NOON_US + SECOND_US)


async def test_badges_clocks_and_people_of_a_site_are_judged_there(store: Store) -> None:
    site = await site_of([*DAY, Bound(NOON_US, "hash", "anna", NOON_US)])
    await store.append_forwarded(await site.own_origin(), "north", sealed(site))
    assert [one async for one in store.badge_facts()] == []
    assert await store.newest_us() is None
    assert await store.standing_facts("") == []


async def test_decisions_about_pages_of_a_site_are_found(store: Store) -> None:
    said = PageDecision("waive", 3, "jam", "total", "/rs", "r1")
    decided = PagesDecided("library", replace(origin("d1"), source=DECISIONS_SOURCE), "anna", said)
    site = await site_of([decided])
    await store.append(decided)
    await store.append_forwarded(await site.own_origin(), "north", sealed(site))
    ours, theirs = [one async for one in store.page_decisions()]
    assert ours == decided
    assert (theirs.printer, theirs.said.release_source) == ("north/library", source_at("north", "/rs"))


async def test_what_was_forwarded_is_sealed_here_too(store: Store) -> None:
    site = await site_of(DAY)
    await store.append(badge("own", "library"))
    await store.append_forwarded(await site.own_origin(), "north", sealed(site))
    done = await verify(store)
    assert (done.problems, done.checked) == ([], 6)


async def test_a_link_of_a_place_is_kept_as_it_was_sealed_there(store: Store) -> None:
    site = await site_of(DAY)
    await store.append_forwarded(await site.own_origin(), "north", sealed(site))
    held = await store.held_places(await site.own_origin(), 0, 10)
    assert held == {one.place: one.held for one in sealed(site)}
    assert isinstance(held[1], SealedPlace)
