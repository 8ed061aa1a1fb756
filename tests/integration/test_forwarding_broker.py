"""A site and a centre, whole daemons, with real servers of NATS between them: links that are cut for long, servers and
daemons that are killed, streams that are emptied or too small.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, TypeVar

import pytest

from pagereeve.app.daemon import App
from pagereeve.domain.forwarding.batch import batch_bytes
from pagereeve.domain.forwarding.message import MessageId
from pagereeve.engine.forwarding.publisher import PublishingSender
from pagereeve.ports.broker import BrokerTrouble
from pagereeve.receivers.broker.centre import NatsBatch
from pagereeve.settings import PrinterSettings, Settings
from tests.forwarding import SealingSite
from tests.integration.brokers import Brokers, brokers
from tests.integration.daemon import Outside, hasty_settings
from tests.journal_samples import badge

Value = TypeVar("Value")
# Servers that were cut off take their time to find one another again.
pytestmark = pytest.mark.timeout(240)
HALL = PrinterSettings(name="hall", host="127.0.0.1", port=7)


@pytest.fixture
async def between(tmp_path: Path) -> AsyncIterator[Brokers]:
    async with brokers(tmp_path) as both:
        yield both


def settings_of(folder: Path, **more: Any) -> Settings:
    folder.mkdir(mode=0o700, exist_ok=True)
    return hasty_settings(folder, [HALL] if "publish" in more else [], **more)


def of_site(both: Brokers) -> Settings:
    return settings_of(both.folder / "site", publish=[both.publish(both.folder / "site-secret")])


def of_centre(both: Brokers) -> Settings:
    return settings_of(both.folder / "centre", collect=[both.collect(both.folder / "centre-secret")])


@asynccontextmanager
async def daemon(settings: Settings) -> AsyncIterator[Outside]:
    async with App(settings, first_reads_spread_s=60) as app, Outside(app) as outside:
        yield outside


async def places(centre: Outside) -> dict[str, int]:
    return {one.site: one.place for one in await centre.app.store.origins()}


def sender_of(site: Outside) -> PublishingSender:
    (sender,) = site.app.forwarding.senders
    assert isinstance(sender, PublishingSender)
    return sender


async def released(site: Outside, first: int, count: int) -> None:
    for number in range(first, first + count):
        assert (await site.started(f"r{number}", "hall", 1)).status_code == 200


async def page(outside: Outside, path: str) -> str:
    return str((await outside.client.get(f"{outside.url}{path}")).text)


async def long_until(look: Callable[[], Awaitable[Value | None]], what: str) -> Value:
    """Servers that lost one another find each other again by pauses of their own, of up to half a minute."""
    for _ in range(900):
        if (found := await look()) is not None:
            return found
        await asyncio.sleep(0.1)
    raise AssertionError(f"waited in vain for {what}")


async def caught_up(centre: Outside, site: Outside, name: str = "annex") -> int:
    """All that the site has sealed is at the centre, once, and the same to the byte; the site knows it, too."""

    async def look() -> int | None:
        size = await site.app.store.last_position()
        return size if (await places(centre)).get(name) == size == sender_of(site).has else None

    size = await long_until(look, "the centre to have all of the site, and the site to know")
    origin = await site.app.store.own_origin()
    held = await centre.app.store.held_places(origin, 0, size + 1)
    assert [held[place] for place in range(1, size + 1)] == [
        one.sealed for one in await site.app.store.sealed_bodies(0, size)
    ]
    return size


async def test_facts_reach_the_centre_through_the_broker(between: Brokers) -> None:
    async with daemon(of_centre(between)) as centre, daemon(of_site(between)) as site:
        await released(site, 0, 3)
        assert await caught_up(centre, site) >= 3
        metrics = await page(site, "/metrics")
        assert 'pagereeve_forwarding_behind_facts{centre="centre"} 0.0' in metrics
        assert 'pagereeve_site_behind_facts{site="annex"} 0.0' in await page(centre, "/metrics")


async def test_a_centre_whose_server_is_killed_gets_all_once_when_it_is_back(between: Brokers) -> None:
    async with daemon(of_centre(between)) as centre, daemon(of_site(between)) as site:
        await released(site, 0, 2)
        await caught_up(centre, site)
        between.hub.kill()
        await released(site, 2, 5)

        async def named() -> str | None:
            text = await page(centre, "/readyz")
            return text if "annex: nothing is taken from its broker" in text else None

        assert '"ready":true' in (await long_until(named, "the centre to name it")).replace(" ", "")
        sender = sender_of(site)

        async def all_sent() -> bool | None:
            return sender.sent == await site.app.store.last_position() or None

        await long_until(all_sent, "the site's server to have all, though the link is cut")
        assert sender.telemetry().unanswered
        between.hub.start()
        await caught_up(centre, site)
        assert "broker" not in await page(centre, "/readyz")


async def test_while_only_the_line_between_the_servers_is_cut_both_daemons_work_on(between: Brokers) -> None:
    async with daemon(of_centre(between)) as centre, daemon(of_site(between)) as site:
        await released(site, 0, 2)
        before = await caught_up(centre, site)
        await between.link.cut()
        await released(site, 2, 5)

        async def sent() -> bool | None:
            return sender_of(site).sent >= before + 5 or None

        await long_until(sent, "the site's server to have all, though the line is cut")
        assert (await places(centre))["annex"] == before
        assert "broker" not in await page(centre, "/readyz")
        await between.link.mend()
        await caught_up(centre, site)
        assert not sender_of(site).counts


async def test_daemons_that_are_stopped_in_turn_need_not_run_at_the_same_time(between: Brokers) -> None:
    """What the broker is for: the site is gone again when the centre comes."""
    async with daemon(of_site(between)) as site:
        await released(site, 0, 4)
        size = await site.app.store.last_position()
        sender = sender_of(site)

        async def sent() -> bool | None:
            return sender.sent >= size or None

        await long_until(sent, "the server to have all")
        sealed = [one.sealed for one in await site.app.store.sealed_bodies(0, size)]
        origin = await site.app.store.own_origin()
    async with daemon(of_centre(between)) as centre:

        async def held() -> bool | None:
            return (await places(centre)).get("annex", 0) >= size or None

        await long_until(held, "the centre to have what was sent")
        there = await centre.app.store.held_places(origin, 0, size)
        assert [there[place] for place in range(1, size + 1)] == sealed
    async with daemon(of_site(between)) as site:
        # It reads in its own server what the centre answered meanwhile, and sends nothing again.
        sender = sender_of(site)

        async def knows() -> bool | None:
            return (sender.has or 0) >= size or None

        await long_until(knows, "the site to hear of it")
        assert sender.forwarded == 0


async def test_a_site_whose_server_is_away_works_on(between: Brokers) -> None:
    async with daemon(of_centre(between)) as centre, daemon(of_site(between)) as site:
        await released(site, 0, 1)
        await caught_up(centre, site)
        between.leaf.kill()
        await released(site, 1, 5)

        async def named() -> str | None:
            text = await page(site, "/readyz")
            return text if "forwarding" in text and "centre" in text else None

        assert '"ready":true' in (await long_until(named, "the site to name it")).replace(" ", "")
        between.leaf.start()
        await caught_up(centre, site)


async def test_what_is_purged_before_it_came_is_sent_again(between: Brokers) -> None:
    async with daemon(of_site(between)) as site:
        async with daemon(of_centre(between)) as centre:
            await released(site, 0, 2)
            await caught_up(centre, site)
        between.hub.kill()
        sender = sender_of(site)
        await released(site, 2, 3)
        size = await site.app.store.last_position()

        async def sent() -> bool | None:
            return sender.sent >= size or None

        await long_until(sent, "the server to have all")
        async with between.leaf.asked("site") as asked:
            await asked.purge_stream("pagereeve-facts-annex")
        await released(site, 5, 2)
        between.hub.start()
        async with daemon(of_centre(between)) as centre:
            await caught_up(centre, site)
        assert sender.counts["gap"] == 1


async def test_a_stream_for_one_message_gets_all_through(tmp_path: Path) -> None:
    async with brokers(tmp_path, limits={"max_msgs": 1}) as both, daemon(of_site(both)) as site:
        for number in range(4):
            await released(site, number, 1)
            await asyncio.sleep(1.2)
        async with daemon(of_centre(both)) as centre:
            await caught_up(centre, site)


async def test_a_centre_that_dies_after_the_commit_joins_the_same_once(
    between: Brokers, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The server gives the batch again, since nobody said that it is held."""
    seen: list[MessageId] = []
    heard = NatsBatch.done

    async def heard_the_second_time(one: NatsBatch) -> None:
        message_id = MessageId.parsed(one.id)
        assert message_id is not None
        seen.append(message_id)
        if seen.count(message_id) == 1:
            raise BrokerTrouble("unreachable", "the link was cut")
        await heard(one)

    monkeypatch.setattr(NatsBatch, "done", heard_the_second_time)
    async with daemon(of_centre(between)) as centre, daemon(of_site(between)) as site:
        await released(site, 0, 3)

        async def given_again() -> bool | None:
            return any(not one.question and seen.count(one) == 2 for one in seen) or None

        await long_until(given_again, "the server to give facts again")
        await caught_up(centre, site)


async def test_batches_that_come_twice_and_out_of_order_are_joined_once(between: Brokers) -> None:
    async with daemon(of_centre(between)) as centre:
        annex = SealingSite()
        annex.store([badge(f"b-{number}", "rs") for number in range(40)])
        async with between.leaf.asked("site") as asked:
            for after in (0, 20, 10, 0, 30, 20, 10, 20, 30, 0):
                await asked.publish("pagereeve.facts.annex", batch_bytes(annex.batch(after, 10)))
            await asked.publish("pagereeve.facts.annex", b"no batch at all")

        async def refused() -> bool | None:
            counted = centre.app.site_facts.sites["annex"].refused
            return counted["malformed"] == 1 or None

        await long_until(refused, "all to be taken")
        counted = centre.app.site_facts.sites["annex"].refused
        # 20 came before 10, and 30 before 20.
        assert (counted["gap"], counted["fork"], await places(centre)) == (2, 0, {"annex": 40})
        async with between.hub.asked("centre") as asked:
            state = await asked.consumer_info("pagereeve-facts-annex", "pagereeve-centre")
            assert (state.num_pending, state.num_ack_pending, state.num_redelivered) == (0, 0, 0)


async def test_a_site_that_names_itself_otherwise_than_its_stream_is_refused(between: Brokers) -> None:
    async with daemon(of_centre(between)) as centre:
        north = SealingSite(name="north")
        north.store([badge("b", "rs")])
        async with between.leaf.asked("site") as asked:
            await asked.publish("pagereeve.facts.annex", batch_bytes(north.batch()))

        async def refused() -> bool | None:
            return centre.app.site_facts.sites["annex"].refused["wrong-origin"] == 1 or None

        await long_until(refused, "it to be refused")
        assert await places(centre) == {}


async def test_who_shows_another_password_is_named_and_the_daemon_works_on(between: Brokers) -> None:
    settings = of_site(between)
    (between.folder / "site-secret").write_text("another-password")
    async with daemon(settings) as site:

        async def named() -> str | None:
            text = await page(site, "/readyz")
            return text if "not-allowed" in text else None

        text = await long_until(named, "the password to be named")
        assert "another-password" not in text
        await released(site, 0, 1)
