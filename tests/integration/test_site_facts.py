"""A centre joins batches into each kind of journal: once, in order, and refused by name where they don't follow."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest
from structlog.testing import capture_logs

from pagereeve.app.clocks import SystemClock
from pagereeve.app.sites.joining import ERASED_THERE, SILENT_AFTER_US, SiteFacts
from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.forwarding.batch import Batch, batch_bytes
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.ports.forwarding import CentreAnswer
from pagereeve.ports.store import Store
from pagereeve.queries.verify import verify
from tests.forwarding import ORIGIN, SealingSite
from tests.journal_samples import NOON_US, badge, read, started


def annex(origin: str = ORIGIN, facts: int = 9, seed: int = 0) -> SealingSite:
    site = SealingSite(origin, seed=seed)
    for number in range(facts):
        kinds = (badge(f"b-{number}", "rs"), started(f"r-{number}", "library"), read(number, "rs"))
        site.store([kinds[number % 3]])
    return site


@pytest.fixture
def projected() -> list[tuple[str, int | None]]:
    return []


@pytest.fixture
def facts(store: Store, projected: list[tuple[str, int | None]]) -> SiteFacts:
    return SiteFacts(store, SystemClock(), lambda printer, since_us: projected.append((printer, since_us)))


async def refused(facts: SiteFacts, batch: Batch, site: str = "annex") -> BatchRefused:
    with pytest.raises(BatchRefused) as caught:
        await facts.join(batch_bytes(batch), site)
    return caught.value


async def test_batches_join_and_each_answer_says_what_is_held(
    store: Store, facts: SiteFacts, projected: list[tuple[str, int | None]]
) -> None:
    site = annex()
    asked, new = await facts.join(batch_bytes(site.batch(9)), "annex")
    assert (asked, new) == (CentreAnswer(0), 0)
    first, new = await facts.join(batch_bytes(site.batch(0, 4)), "annex")
    assert (first, new) == (CentreAnswer(4, site.sealed[3].sealed, {"rs": 3, "library": 1}), 4)
    assert {printer for printer, _ in projected} == {"annex/rs", "annex/library"}
    # The answer to it was lost: it comes again, and then one that overlaps.
    assert await facts.join(batch_bytes(site.batch(0, 4)), "annex") == (first, 0)
    rest, new = await facts.join(batch_bytes(site.batch(2)), "annex")
    assert (rest.has, rest.last, new) == (9, site.sealed[8].sealed, 5)
    asked, new = await facts.join(batch_bytes(site.batch(9)), "annex")
    assert (asked, new) == (CentreAnswer(9, site.sealed[8].sealed), 0)
    assert [one.place for one in await store.origins()] == [9]
    held = [one.fact async for one in store.facts("annex/library")]
    assert all(isinstance(one, ReleaseStarted) and one.owner == "owner-1" for one in held)
    done = await verify(store)
    assert (done.problems, done.checked) == ([], 9)


async def test_what_does_not_follow_is_refused_by_name_and_changes_nothing(store: Store, facts: SiteFacts) -> None:
    site = annex()
    await facts.join(batch_bytes(site.batch(0, 4)), "annex")
    gap = await refused(facts, site.batch(6))
    assert (gap.cause, gap.has, gap.place) == ("gap", 4, 5)
    assert (await refused(facts, annex(seed=1).batch())).cause == "fork"
    assert (await refused(facts, annex(seed=1).batch(4))).cause == "fork"
    assert (await refused(facts, annex(seed=1).batch(3, 0))).cause == "fork"
    assert (await refused(facts, replace(site.batch(), site="north"), "north")).cause == "wrong-origin"
    assert (await refused(facts, site.batch(), "north")).cause == "wrong-origin"
    assert (await refused(facts, annex("ab" * 16).batch())).cause == "wrong-origin"
    assert (await refused(facts, annex(await store.own_origin()).batch())).cause == "wrong-origin"
    slashed = replace(annex("ab" * 16).batch(), site="a/b")
    assert (await refused(facts, slashed, "a/b")).cause == "wrong-origin"
    changed = site.batch(4)
    body = changed.facts[0].body
    assert body is not None
    edited = replace(changed.facts[0], body=body.replace("gateway-1", "gateway-2").replace("owner-1", "owner-2"))
    bad = replace(changed, facts=[edited if edited.body != body else replace(edited, body="{}"), *changed.facts[1:]])
    assert (await refused(facts, bad)).cause == "broken-link"
    assert await store.count_facts() == 4
    assert facts.telemetry()["annex"].refused["fork"] == 3
    assert "broken-link" in facts.notice()
    await facts.join(batch_bytes(site.batch(4)), "annex")
    assert facts.notice() == ""


async def test_two_sites_with_the_same_names_do_not_meet(store: Store, facts: SiteFacts) -> None:
    for name, origin in (("annex", ORIGIN), ("north", "cd" * 16)):
        site = annex(origin)
        await facts.join(batch_bytes(replace(site.batch(), site=name)), name)
    assert sorted(await store.printers()) == ["annex/library", "annex/rs", "north/library", "north/rs"]
    assert await store.count_facts() == 18


async def test_two_batches_at_once_are_joined_once(store: Store, facts: SiteFacts) -> None:
    """As when a time-out of the sender's, and the batch that it gave up, meet."""
    site = annex()
    both = await asyncio.gather(
        *(facts.join(batch_bytes(site.batch(0, limit)), "annex") for limit in (4, 9)), return_exceptions=True
    )
    assert not [one for one in both if isinstance(one, BaseException) and not isinstance(one, BatchRefused)]
    await facts.join(batch_bytes(site.batch()), "annex")
    assert [one.place for one in await store.origins()] == [9]
    assert await store.count_facts() == 9


async def test_after_a_start_sites_are_known_and_their_printers_looked_at(store: Store) -> None:
    site = annex()
    await SiteFacts(store, SystemClock()).join(batch_bytes(site.batch()), "annex")
    looked: list[tuple[str, int | None]] = []
    later = SiteFacts(store, SystemClock(), lambda printer, since_us: looked.append((printer, since_us)))
    await later.open()
    assert sorted(looked) == [("annex/library", None), ("annex/rs", None)]
    figures = later.telemetry()["annex"]
    assert (figures.has, figures.behind, figures.heard_us) == (9, None, None)
    assert later.notice() == ""


class LaterClock(SystemClock):
    later_us = 0

    def now_us(self) -> int:
        return super().now_us() + self.later_us


async def test_a_site_that_is_behind_or_was_not_heard_for_long_is_named(store: Store) -> None:
    site, clock = annex(), LaterClock()
    facts = SiteFacts(store, clock)
    await facts.join(batch_bytes(site.batch(0, 4)), "annex")
    assert facts.notice() == "annex: 5 facts are still to come"
    assert facts.telemetry()["annex"].behind == 5
    await facts.join(batch_bytes(site.batch(4)), "annex")
    assert facts.notice() == ""
    clock.later_us = SILENT_AFTER_US + 1
    assert facts.notice().startswith("annex: not heard since ")


async def test_a_site_of_which_nothing_was_ever_joined_is_named_with_the_cause(store: Store, facts: SiteFacts) -> None:
    await store.append(badge("b-own", "annex/rs"))
    assert (await refused(facts, annex().batch())).cause == "name-taken"
    assert facts.telemetry()["annex"].refused["name-taken"] == 1
    assert facts.notice().startswith("annex: name-taken: ")
    # How far it is has no meaning, and a credential that is no site's name is not one.
    assert facts.seen() == {}
    await refused(facts, annex().batch(), "no/site")
    assert set(facts.telemetry()) == {"annex"}


async def test_that_a_site_erased_somebody_is_told_in_the_log(facts: SiteFacts) -> None:
    site = annex()
    site.store([Erased(NOON_US, "erased-0123456789ab", "warden", 2, "0" * 64)])
    with capture_logs() as lines:
        await facts.join(batch_bytes(site.batch(0, 9)), "annex")
        assert lines == []
        await facts.join(batch_bytes(site.batch(9)), "annex")
    assert [(one["event"], one["site"], one["erasures"]) for one in lines] == [(ERASED_THERE, "annex", 1)]
