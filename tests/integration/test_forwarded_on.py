"""A centre that forwards to another centre sends what is its own, and of its sites the links alone; and a person whom a
centre erases is gone from what sites forwarded to it, whose links still follow: in each kind of journal.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.app.sites.joining import SiteFacts
from pagereeve.domain.facts.facts import JOURNAL_SOURCE, Decided, Origin, PagesDecided, ReleaseStarted, SiteChecked
from pagereeve.domain.facts.page_decision import PageDecision
from pagereeve.domain.facts.sites import of_site
from pagereeve.domain.forwarding.batch import batch_bytes
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.domain.values.errors import BadFact
from pagereeve.engine.forwarding.sender import ForwardingSender
from pagereeve.ports.erasing import Erasure
from pagereeve.ports.forwarding import CentreAnswer, NotForwarded
from pagereeve.ports.origins import ForwardedFact
from pagereeve.ports.store import Store
from pagereeve.queries.verify import verify
from pagereeve.store.memory.journal import MemoryJournal
from tests.forwarded import sealed, site_of
from tests.forwarding import SealingSite
from tests.integration.test_forward_reads import all_bodies
from tests.journal_samples import NOON_US, badge, origin, read, started


@dataclass
class NearCentre:
    """A centre in this process, without HTTP."""

    facts: SiteFacts
    site: str
    name: str = "top"

    async def forward(self, batch: bytes) -> CentreAnswer:
        try:
            return (await self.facts.join(batch, self.site))[0]
        except BatchRefused as refused:
            raise NotForwarded(refused.cause, refused.problem, refused.has) from refused

    async def close(self) -> None: ...


def owned(name: str, owner: str, printer: str = "hall") -> ReleaseStarted:
    """From a release server of the site."""
    return replace(started(name, printer), owner=owner, origin=origin(name, source="/rs"))


async def test_what_sites_forwarded_goes_no_further_and_all_else_does(store: Store) -> None:
    annex = await site_of([read(1, "hall"), owned("r-1", "anise"), badge("b-1", "hall")])
    await store.append(badge("own-1", "desk"))
    await store.append_forwarded(await annex.own_origin(), "annex", sealed(annex))
    await store.append(badge("own-2", "desk"))
    top = MemoryJournal()
    facts = SiteFacts(top, SystemClock())
    sender = ForwardingSender(NearCentre(facts, "mid"), "mid", store, SystemClock(), SystemEntropy())
    while await sender.turn() or sender.has is None:
        assert not sender.trouble
    assert (sender.telemetry().behind, sender.trouble) == (0, "")
    [known] = await top.origins()
    assert (known.site, known.place) == ("mid", await store.last_position())
    assert await top.printers() == ["mid/desk"]
    assert [one.fact.origin.id async for one in top.facts("mid/desk")] == ["own-1", "own-2"]  # type: ignore[union-attr]
    tips = await top.held_tips(known.id, ["annex/hall", "desk"])
    assert {timeline: one.seq for timeline, one in tips.items()} == {"annex/hall": 3, "desk": 2}
    assert (await verify(top)).problems == []
    # The site itself may forward to both: what it says is there under its own name alone.
    body = SealingSite(name="annex")
    body.store([badge("b-1", "hall")])
    assert (await facts.join(batch_bytes(body.batch()), "annex"))[1] == 1
    assert await top.printers() == ["annex/hall", "mid/desk"]


def test_of_a_centres_sites_it_is_told_under_the_centres_name() -> None:
    told = SiteChecked(Origin(JOURNAL_SOURCE, "s-1", NOON_US, NOON_US), "annex", "silent", 0, 3)
    here = of_site(told, "mid")
    assert (here.printer, here.site) == ("mid/", "mid/annex")


async def test_a_person_erased_at_a_centre_is_gone_from_what_sites_forwarded(store: Store) -> None:
    annex = await site_of([owned("r-1", "anise"), owned("r-2", "bay"), read(1, "hall")])
    own, before = await annex.own_origin(), sealed(annex)
    await store.append_forwarded(own, "annex", before[:2])
    await store.append(owned("r-3", "anise", "desk"))
    done = await store.erase(Erasure("anise", "erased-0123456789ab", "warden", NOON_US))
    assert (done.facts, list(done.printers)) == (2, ["annex/hall", "desk"])
    assert all("anise" not in (one.body or "") for one in await all_bodies(store))
    releases = [one.fact async for one in store.facts("annex/hall")]
    assert [getattr(one, "owner", "")[:7] for one in releases] == ["erased-", "bay"]
    # The site goes on, and what it sends again adds nothing: nobody brings the name back.
    assert (await store.append_forwarded(own, "annex", before)).facts == 1
    assert all("anise" not in (one.body or "") for one in await all_bodies(store))
    assert [getattr(one.fact, "owner", "")[:7] async for one in store.facts("annex/hall")][:2] == ["erased-", "bay"]
    assert (await verify(store)).problems == []


async def test_a_person_erased_at_the_site_before_it_was_forwarded_comes_without_a_name(store: Store) -> None:
    annex = await site_of([owned("r-1", "anise"), read(1, "hall")])
    await annex.erase(Erasure("anise", "erased-0123456789ab", "warden", NOON_US))
    bodies = enumerate(await annex.sealed_bodies(0, 9), start=1)
    facts = [ForwardedFact(place, one.sealed, one.body, one.openings) for place, one in bodies]
    await store.append_forwarded(await annex.own_origin(), "annex", facts)
    first, *_ = [one.fact async for one in store.facts("annex/hall")]
    assert isinstance(first, ReleaseStarted)
    assert first.owner.startswith("erased-")
    assert (await verify(store)).problems == []


async def test_a_number_that_was_never_sealed_is_a_gap_for_ever_and_another_journal_goes_on(store: Store) -> None:
    facts, holed = SiteFacts(store, SystemClock()), SealingSite(name="annex")
    holed.store([badge("b-1", "hall")])
    holed._seqs["hall"] = 4
    holed.store([badge("b-5", "hall")])
    for _ in range(3):
        with pytest.raises(BatchRefused, match="number 5 of timeline hall of annex can't follow number 1") as caught:
            await facts.join(batch_bytes(holed.batch()), "annex")
        assert (caught.value.cause, caught.value.place, caught.value.has) == ("gap", 2, 0)
    assert await store.origins() == []
    anew = SealingSite("ef" * 16, name="annex-2", seed=1)
    anew.store([badge("b-5", "hall"), badge("b-6", "hall")])
    assert (await facts.join(batch_bytes(anew.batch()), "annex-2"))[1] == 2


async def test_a_centre_adds_no_decision_to_a_sites_timeline_and_says_where_to_decide(store: Store) -> None:
    annex = await site_of([read(1, "hall"), owned("r-1", "anise")])
    await store.append_forwarded(await annex.own_origin(), "annex", sealed(annex))
    by = origin("d-1", source="urn:pagereeve:local")
    for decision in (
        Decided("annex/hall", by, "f-0123456789ab", "close", "warden"),
        PagesDecided(
            "annex/hall", by, "warden", PageDecision("waive", 1, "bad-print", release_source="/rs", release_id="r-1")
        ),
    ):
        with pytest.raises(BadFact, match="is of site annex: only its own daemon adds to that; send it there"):
            await store.append(decision)
    assert await store.last_position() == 2


@pytest.mark.parametrize("erased_at", ["site", "centre"])
async def test_a_badge_heard_at_both_is_erased_only_where_somebody_erases(store: Store, erased_at: str) -> None:
    """Why an erasure is needed at both ends."""
    annex = await site_of([owned("r-1", "anise")])
    own = await annex.own_origin()
    await store.append_forwarded(own, "annex", sealed(annex))
    erasure = Erasure("anise", "erased-0123456789ab", "warden", NOON_US)
    await (annex if erased_at == "site" else store).erase(erasure)
    here = [one.body or "" for one in await store.sealed_bodies(0, 9)]
    names = [getattr(one.fact, "owner", "") async for one in store.facts("annex/hall")]
    assert here[0] == ""
    assert ("anise" in names) == (erased_at == "site")
