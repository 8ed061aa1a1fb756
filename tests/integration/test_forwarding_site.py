"""A whole daemon at a site, and a centre that it forwards to: links that are cut, answers that are lost, restarts."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from pagereeve.app.daemon import App
from pagereeve.domain.forwarding.verification import link_of
from pagereeve.ports.forward_settings import ForwardSettings
from pagereeve.settings import BadSettings, PrinterSettings, Settings
from tests.integration.daemon import Outside, hasty_settings, until
from tests.integration.forwarded import TOKEN, SpokenCentre, spoken_centre


@pytest.fixture
async def centre() -> AsyncIterator[SpokenCentre]:
    async with spoken_centre() as one:
        yield one


def settings_of(folder: Path, centre: SpokenCentre, **more: Any) -> Settings:
    folder.mkdir(exist_ok=True)
    token_file = folder.parent / "token"
    token_file.write_text(TOKEN)
    forward = ForwardSettings(name="centre", url=centre.web.url, site="annex", token_file=token_file)
    return hasty_settings(folder, [PrinterSettings(name="hall", host="127.0.0.1", port=7)], forward=[forward], **more)


async def caught_up(app: App, centre: SpokenCentre) -> int:
    """How many facts, once the centre has all that are sealed."""

    async def look() -> int | None:
        size = await app.store.last_position()
        return size if centre.held == size else None

    return await until(look, "the centre to have all facts")


async def page(outside: Outside, path: str) -> str:
    return str((await outside.client.get(f"{outside.url}{path}")).text)


async def test_what_is_stored_reaches_the_centre_and_the_badge_key_does_not(
    tmp_path: Path, centre: SpokenCentre
) -> None:
    settings = settings_of(tmp_path / "site", centre)
    async with App(settings, first_reads_spread_s=60) as app, Outside(app) as outside:
        assert (await outside.started("r1", "hall", 1)).status_code == 200
        badge = {"badge": "04A1B2C3", "gateway": "gw"}
        assert (await outside.send("pagereeve.badge.presented.v1", "b1", badge)).status_code == 200
        count = await caught_up(app, centre)
        metrics = await page(outside, "/metrics")
        assert 'pagereeve_forwarding_behind_facts{centre="centre"} 0.0' in metrics
        assert f'pagereeve_forwarded_facts_total{{centre="centre"}} {float(count)}' in metrics
        key = settings.badge_key_file.read_bytes()
    sent = b"".join(request.body for request in centre.web.requests)
    assert b"user-anise" in sent
    assert b"04A1B2C3" not in sent
    assert key.strip() not in sent
    assert key.strip().hex().encode() not in sent


async def test_a_link_that_is_cut_and_answers_that_are_lost_repeat_and_lose_nothing(
    tmp_path: Path, centre: SpokenCentre
) -> None:
    centre.loses = 2
    async with App(settings_of(tmp_path / "site", centre), first_reads_spread_s=60) as app, Outside(app) as outside:
        for number in range(10):
            assert (await outside.started(f"r{number}", "hall", 1)).status_code == 200
        await caught_up(app, centre)
        (kept,) = centre.kept.origins.values()
        assert kept.facts == list(await app.store.sealed_bodies(0, 512))
        assert centre.loses == 0


async def test_a_site_that_is_killed_while_it_was_cut_off_goes_on_where_the_centre_is(
    tmp_path: Path, centre: SpokenCentre
) -> None:
    settings, answer = settings_of(tmp_path / "site", centre), centre.web.answer
    async with App(settings, first_reads_spread_s=60) as app, Outside(app) as outside:
        await outside.started("r1", "hall", 1)
        before = await caught_up(app, centre)
        centre.web.answer = lambda _: b"HTTP/1.1 503 Service Unavailable\r\nContent-Length: 0\r\n\r\n"
        assert (await outside.started("r2", "hall", 1)).status_code == 200

        async def notices() -> str | None:
            text = await page(outside, "/readyz")
            return text if "forwarding" in text else None

        told = await until(notices, "the trouble to be told")
        assert '"ready":true' in told.replace(" ", "")
        assert "answered 503" in told
        assert centre.held == before
    centre.web.answer = answer
    async with App(settings, first_reads_spread_s=60) as app:
        await caught_up(app, centre)
        (kept,) = centre.kept.origins.values()
        assert kept.facts == list(await app.store.sealed_bodies(0, 512))
    assert sum(len(one.facts) for one in centre.batches) == centre.held


async def test_a_journal_from_an_older_copy_is_named_and_nothing_is_overwritten(
    tmp_path: Path, centre: SpokenCentre
) -> None:
    settings = settings_of(tmp_path / "site", centre)
    async with App(settings, first_reads_spread_s=60) as app, Outside(app) as outside:
        await outside.started("r1", "hall", 1)
        await caught_up(app, centre)
    shutil.copytree(tmp_path / "site", tmp_path / "copy")
    async with App(settings, first_reads_spread_s=60) as app, Outside(app) as outside:
        for number in range(20):
            await outside.started(f"lost-{number}", "hall", 1)
        await caught_up(app, centre)
    (kept,) = centre.kept.origins.values()
    before = list(kept.facts)
    shutil.rmtree(tmp_path / "site")
    (tmp_path / "copy").rename(tmp_path / "site")

    async def told(outside: Outside, what: str) -> str | None:
        text = await page(outside, "/readyz")
        return text if what in text else None

    async with App(settings, first_reads_spread_s=60) as app, Outside(app) as outside:
        # Its start has stored facts of its own already, at the places of those that were lost.
        text = await until(lambda: told(outside, "fork"), "the older copy to be named")
        assert "set back to an older copy" in text
        assert (await outside.started("goes-on", "hall", 1)).status_code == 200
        metrics = await page(outside, "/metrics")
        assert 'pagereeve_forwarding_refused_total{cause="fork",centre="centre"} 0.0' not in metrics
    assert kept.facts == before


async def test_facts_that_were_forwarded_give_their_links_at_the_centre(tmp_path: Path, centre: SpokenCentre) -> None:
    async with App(settings_of(tmp_path / "site", centre), first_reads_spread_s=60) as app, Outside(app) as outside:
        await asyncio.gather(*(outside.started(f"r{number}", "hall", 1) for number in range(8)))
        await caught_up(app, centre)
    (kept,) = centre.kept.origins.values()
    links: dict[str, bytes] = {}
    for one in kept.facts:
        before = links.get(one.sealed.timeline)
        assert one.body is not None
        assert before is None or link_of(one.body, one.openings, before) == one.sealed.link
        links[one.sealed.timeline] = one.sealed.link


async def test_a_token_file_that_is_not_there_refuses_the_start(tmp_path: Path, centre: SpokenCentre) -> None:
    settings = settings_of(tmp_path / "site", centre)
    (tmp_path / "token").unlink()
    with pytest.raises(BadSettings, match=r"forward centre: .*token can't be read"):
        async with App(settings):
            pass
