"""Sites and a centre, whole daemons over real HTTP: links cut, clocks apart, daemons stopped, hostile batches."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from pathlib import Path

import httpx2
import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.domain.credentials.callers import Act
from pagereeve.domain.forwarding.batch import BATCH_MAX_BYTES, batch_bytes
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.feeds.http.settings import CredentialSettings, HttpSettings
from pagereeve.ports.forward_settings import ForwardSettings
from pagereeve.ports.setting_types import HostPort
from pagereeve.settings import PrinterSettings, Settings
from tests.forwarding import SealingSite
from tests.integration.daemon import Outside, hasty_settings, until
from tests.integration.processes import free_tcp_port
from tests.journal_samples import badge, read

SITES = ("annex", "north")
HALL = PrinterSettings(name="hall", host="127.0.0.1", port=7)
JSONL = "application/jsonl"


def token(name: str) -> str:
    return f"{name}-token-of-twenty-two-characters"


def credentials(folder: Path, given: Iterable[tuple[str, tuple[Act, ...]]]) -> tuple[CredentialSettings, ...]:
    made = []
    for name, acts in given:
        (folder / name).write_text(token(name))
        made.append(CredentialSettings(name=name, acts=frozenset(acts), token_file=folder / name))
    return tuple(made)


def centre_settings(tmp_path: Path, port: int) -> Settings:
    folder = tmp_path / "centre"
    folder.mkdir(mode=0o700, exist_ok=True)
    sites: list[tuple[str, tuple[Act, ...]]] = [(name, ("forward",)) for name in SITES]
    given = credentials(tmp_path, [*sites, ("reader", ("read", "names")), ("sender", ("send",))])
    http = HttpSettings(listen=HostPort("127.0.0.1", port), credentials=given)
    return hasty_settings(folder, [], http=http)


def site_settings(tmp_path: Path, name: str, port: int) -> Settings:
    folder = tmp_path / f"site-{name}"
    folder.mkdir(mode=0o700, exist_ok=True)
    (tmp_path / name).write_text(token(name))
    url = f"http://127.0.0.1:{port}"
    forward = ForwardSettings(name="centre", url=url, site=name, token_file=tmp_path / name)
    return hasty_settings(folder, [HALL], forward=[forward])


@asynccontextmanager
async def running(settings: Settings, clock: SystemClock | None = None) -> AsyncIterator[Outside]:
    async with App(settings, first_reads_spread_s=60, clock=clock) as app, Outside(app) as outside:
        yield outside


async def page(outside: Outside, path: str) -> str:
    headers = {"Authorization": f"Bearer {token('reader')}"}
    return str((await outside.client.get(f"{outside.url}{path}", headers=headers)).text)


async def held_all(centre: Outside, site: Outside, name: str) -> int:
    async def look() -> int | None:
        size = await site.app.store.last_position()
        places = {one.site: one.place for one in await centre.app.store.origins()}
        return size if places.get(name) == size else None

    return await until(look, f"the centre to have all of {name}")


async def owners(centre: Outside, printer: str) -> set[str]:
    return {getattr(one.fact, "owner", "") async for one in centre.app.store.facts(printer)} - {""}


class OtherClock(SystemClock):
    """A machine's whose clock is an hour ahead."""

    def now_us(self) -> int:
        return super().now_us() + 3_600 * SECOND_US


async def test_two_sites_with_the_same_names_and_clocks_apart_join_at_one_centre(tmp_path: Path) -> None:
    port = free_tcp_port()
    async with (
        running(centre_settings(tmp_path, port)) as centre,
        running(site_settings(tmp_path, "annex", port)) as annex,
        running(site_settings(tmp_path, "north", port), OtherClock()) as north,
    ):
        for number, site in enumerate((annex, north, annex)):
            assert (await site.started(f"same-{number // 2}", "hall", number + 1)).status_code == 200
        for name, site in (("annex", annex), ("north", north)):
            await held_all(centre, site, name)
            assert await owners(centre, f"{name}/hall") == {"user-anise"}
            ours = [one.fact async for one in site.app.store.facts("hall")]
            theirs = [one.fact async for one in centre.app.store.facts(f"{name}/hall")]
            assert len(ours) == len(theirs)

        async def charged() -> int | None:
            """Facts that came are projected: each site's release stands under its own printer."""
            charges = await centre.app.store.charges_of("same-0")
            return len(charges) if {one.printer for one in charges} == {"annex/hall", "north/hall"} else None

        assert await until(charged, "both sites' releases in the centre's ledger") >= 2
        metrics = await page(centre, "/metrics")
        assert 'pagereeve_site_behind_facts{site="annex"} 0.0' in metrics
        assert "sites" not in await page(centre, "/readyz")


async def test_a_centre_that_is_away_gets_all_once_and_a_site_works_on(tmp_path: Path) -> None:
    port = free_tcp_port()
    settings = centre_settings(tmp_path, port)
    async with running(site_settings(tmp_path, "annex", port)) as annex:
        async with running(settings) as centre:
            assert (await annex.started("before", "hall", 1)).status_code == 200
            before = await held_all(centre, annex, "annex")
        for number in range(5):
            assert (await annex.started(f"while-away-{number}", "hall", 1)).status_code == 200
        async with running(settings) as centre:
            after = await held_all(centre, annex, "annex")
            assert after >= before + 5
            origin = await annex.app.store.own_origin()
            held = await centre.app.store.held_places(origin, 0, 1_000)
            assert list(held) == list(range(1, after + 1))


async def test_a_site_from_an_older_copy_is_named_at_the_centre_and_nothing_is_overwritten(tmp_path: Path) -> None:
    port = free_tcp_port()
    folder, copy = tmp_path / "site-annex", tmp_path / "copy"
    async with running(centre_settings(tmp_path, port)) as centre:
        async with running(site_settings(tmp_path, "annex", port)) as annex:
            await annex.started("r1", "hall", 1)
            await held_all(centre, annex, "annex")
        shutil.copytree(folder, copy)
        async with running(site_settings(tmp_path, "annex", port)) as annex:
            for number in range(5):
                await annex.started(f"lost-{number}", "hall", 1)
            held = await held_all(centre, annex, "annex")
        shutil.rmtree(folder)
        copy.rename(folder)
        async with running(site_settings(tmp_path, "annex", port)):

            async def named() -> str | None:
                text = await page(centre, "/readyz")
                return text if "fork" in text else None

            assert "annex: fork: another fact is held" in await until(named, "the fork to be named")
        assert [one.place for one in await centre.app.store.origins()] == [held]
        releases = {getattr(one.fact, "release", "") async for one in centre.app.store.facts("annex/hall")}
        assert {"r1", "lost-4"} <= releases
        assert 'pagereeve_site_refused_total{cause="fork",site="annex"} 0.0' not in await page(centre, "/metrics")


def invented(name: str = "annex", facts: int = 5) -> SealingSite:
    site = SealingSite(name=name)
    site.store([badge(f"b-{number}", "rs") if number % 2 else read(number, "rs") for number in range(facts)])
    return site


async def posted(centre: Outside, body: bytes, who: str = "annex", kind: str = JSONL, **more: str) -> httpx2.Response:
    headers = {"Content-Type": kind, **more, **({"Authorization": f"Bearer {token(who)}"} if who else {})}
    return await centre.client.post(f"{centre.url}/v1/forward", content=body, headers=headers)


def head_of(length_bytes: int) -> bytes:
    return (
        f"POST /v1/forward HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {token('annex')}\r\n"
        f"Content-Type: {JSONL}\r\nContent-Length: {length_bytes}\r\n\r\n"
    ).encode()


async def answered_head(centre: Outside, length_bytes: int) -> bytes:
    """What is answered before any of the body was sent."""
    reader, writer = await asyncio.open_connection(*centre.app.http_address)
    writer.write(head_of(length_bytes))
    answer = await reader.readline()
    writer.close()
    return answer


async def test_hostile_batches_are_refused_and_cost_nobody_else(tmp_path: Path) -> None:
    site = invented()
    good = batch_bytes(site.batch())
    async with running(centre_settings(tmp_path, 0)) as centre:
        assert (await posted(centre, good, "")).status_code == 401
        assert (await posted(centre, good, "nobody")).status_code == 401
        for who in ("sender", "reader"):
            answer = await posted(centre, good, who)
            assert (answer.status_code, answer.json()["cause"]) == (403, "forward")
        answer = await posted(centre, good, "north")
        assert (answer.status_code, answer.json()["cause"]) == (403, "wrong-origin")
        assert (await posted(centre, good, kind="application/json")).status_code == 415
        assert (await posted(centre, good, **{"Content-Encoding": "gzip"})).status_code == 415
        got = await centre.client.get(f"{centre.url}/v1/forward", headers={"Authorization": f"Bearer {token('annex')}"})
        assert got.status_code == 405
        assert b" 413 " in await answered_head(centre, BATCH_MAX_BYTES + 1)
        bodies = {
            b"": "malformed",
            b"\n": "malformed",
            good[:-1]: "malformed",
            good[: len(good) // 2]: "malformed",
            b"[" * 1_000_000 + b"\n": "malformed",
            good.replace(b'"forward":1', b'"forward":9'): "unknown-version",
            good + b"{}\n" * 600: "too-large",
            good.replace(b"gateway-1", b"gateway-2"): "broken-link",
        }
        for body, cause in bodies.items():
            answer = await posted(centre, body)
            assert answer.json()["cause"] == cause, body[:80]
            assert 400 <= answer.status_code < 500
            assert answer.headers["content-type"] == "application/problem+json"
        assert await centre.app.store.origins() == []
        answer = await posted(centre, good)
        assert (answer.status_code, answer.json()["has"], answer.json()["seqs"]) == (200, 5, {"rs": 5})
        gone = await posted(centre, batch_bytes(invented(facts=9).batch(7)))
        assert (gone.status_code, gone.json()["cause"], gone.json()["has"], gone.json()["place"]) == (409, "gap", 5, 6)
        # Whoever may send only still does.
        sent = await centre.send("pagereeve.badge.presented.v1", "b1", {"badge": "04A1", "gateway": "gw"})
        assert sent.status_code == 401


async def test_one_batch_of_a_site_is_under_way_and_a_slow_one_holds_up_no_other_site(tmp_path: Path) -> None:
    body = batch_bytes(invented().batch())
    async with running(centre_settings(tmp_path, 0)) as centre:
        _, writer = await asyncio.open_connection(*centre.app.http_address)
        writer.write(head_of(len(body)) + body[:100])
        await writer.drain()
        await asyncio.sleep(0.5)
        busy = await posted(centre, body)
        assert busy.status_code == 503
        assert int(busy.headers["retry-after"]) > 0
        other = SealingSite("ef" * 16, name="north")
        other.store([badge("b", "rs")])
        assert (await posted(centre, batch_bytes(other.batch()), "north")).status_code == 200
        writer.close()
        await asyncio.sleep(0.5)
        assert (await posted(centre, body)).status_code == 200


@pytest.mark.parametrize("times", [3])
async def test_a_centre_that_is_stopped_at_any_moment_has_whole_batches(tmp_path: Path, times: int) -> None:
    site = invented(facts=400)
    settings, after = centre_settings(tmp_path, 0), 0
    for _ in range(times):
        async with running(settings) as centre:
            sent = asyncio.create_task(posted(centre, batch_bytes(site.batch(after, 100))))
            await asyncio.sleep(0.05)
        await asyncio.gather(sent, return_exceptions=True)
        async with running(settings) as centre:
            places = [one.place for one in await centre.app.store.origins()]
            assert places in ([], [after], [after + 100])
            after = places[0] if places else 0
    async with running(settings) as centre:
        answer = await posted(centre, batch_bytes(site.batch(after)))
        assert answer.json()["has"] == 400
