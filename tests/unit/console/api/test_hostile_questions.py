"""Questions that nobody asks in good faith: each is answered, with a problem where it is none, never with a fault."""

from __future__ import annotations

import asyncio
import base64
import json
from collections.abc import AsyncIterator
from typing import Any, Final
from urllib.parse import quote

import httpx2
import pytest

from pagereeve.console.api.paging import cursor_of
from pagereeve.console.api.resources import changes
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.projection.projector import rebuild
from tests.api_world import ApiWorld, full_journal, headers_as
from tests.histories import PRINTER, SIMPLE, journal_of, started
from tests.statements import DAY_S, HOSTILE, late, month

NAMES: Final = (
    "..",
    ".",
    "../../etc/passwd",
    "a/b//c",
    "%2e%2e",
    "\x00",
    "a\nb",
    "\u202egpj",
    "' OR 1=1 --",
    "%' LIKE '%",
    "{0.__class__}",
    "<script>alert(1)</script>",
    "\ud800".encode("utf-16", "surrogatepass").decode("utf-16", "replace"),
    "🖨" * 60,
    "x" * 201,
    "x" * 5_000,
    " ",
)
BY_NAME: Final = (
    "/v1/releases/{}",
    "/v1/evidence/{}",
    "/v1/findings/{}",
    "/v1/printers/{}",
    "/v1/gateways/{}",
    "/v1/periods/{}",
    "/v1/periods/{}/changes",
    "/v1/schemas/{}",
    "/v1/statements/person/{}?period=2026-11",
    "/v1/statements/cost-centre/{}?period=2026-11",
    "/v1/statements/printer/{}?period=2026-11",
    "/v1/exports/{}",
    "/v1/releases?printer={}",
    "/v1/releases?person={}",
    "/v1/releases?cost_centre={}",
    "/v1/releases?period={}",
    "/v1/releases?from={}",
    "/v1/findings?kind={}",
    "/v1/totals?to={}",
    "/v1/printers?site={}",
    "/v1/releases?after={}",
    "/v1/changes?printer={}",
)
PAGED: Final = (
    "/v1/releases",
    "/v1/findings",
    "/v1/decisions",
    "/v1/printers",
    "/v1/gateways",
    "/v1/periods/first-week/changes",
)
RAW: Final = (b"/v1/releases/%FF%FE", b"/v1/printers/%C0%AF", b"/v1/releases?printer=%FF", b"/v1/%2e%2e/v1/releases")
NO_PATHS: Final = (
    "/v1",
    "/v1/",
    "//v1/releases",
    "/v1//releases",
    "/v1/releases/../totals",
    "/V1/releases",
    "/v1/totals/",
)


@pytest.fixture(scope="module")
def world() -> ApiWorld:
    return ApiWorld.of(asyncio.run(full_journal()))


@pytest.fixture
async def client(world: ApiWorld, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[httpx2.AsyncClient]:
    monkeypatch.setattr(changes, "STREAM_S", 0.0)
    transport = httpx2.ASGITransport(world.app)
    async with httpx2.AsyncClient(
        transport=transport, base_url="http://reeve", headers=headers_as("decider")
    ) as client:
        yield client


def require_sound(answer: httpx2.Response, asked: object) -> None:
    assert answer.status_code in {200, 304, 400, 403, 404, 405, 409}, (asked, answer.status_code, answer.text[:300])
    if answer.status_code >= 400:
        assert answer.headers["content-type"] == "application/problem+json", asked
        problem = answer.json()
        assert problem["status"] == answer.status_code
        assert len(answer.content) < 4_000, asked


async def test_names_of_any_kind_are_asked_for(client: httpx2.AsyncClient) -> None:
    for path in BY_NAME:
        for name in NAMES:
            url = path.format(quote(name, safe=""))
            require_sound(await client.get(url), url)


async def test_bytes_that_are_no_text_and_paths_that_are_none(client: httpx2.AsyncClient) -> None:
    for target in RAW:
        request = httpx2.Request("GET", "http://reeve/", headers=client.headers, extensions={"target": target})
        require_sound(await client.send(request), target)
    for path in NO_PATHS:
        answer = await client.get(f"http://reeve{path}")
        assert answer.status_code == 404 or path == "/v1/releases/../totals", (path, answer.status_code)


@pytest.mark.parametrize("path", PAGED)
async def test_cursors_and_limits_that_nobody_was_given(client: httpx2.AsyncClient, path: str) -> None:
    places: list[list[Any]] = [[], [1], [2**63, "a", "b", "c", "d"], [1, "", "", "", ""], [True, 1, "", "", 1, 1]]
    places += [
        ["x"] * 8,
        [1.5],
        [None],
        [{"a": 1}],
        [[1]],
        [-1, -(2**63), "", "", 0, 0],
        ["\ud800"],
        [1, "\x00", "", "", ""],
    ]
    told = [base64.urlsafe_b64encode(json.dumps(one).encode()).decode().rstrip("=") for one in places]
    told += ["", "=", "A", "é", "[" * 400, base64.urlsafe_b64encode(b"[" * 1_400).decode(), cursor_of(["a", 1])]
    for cursor in told:
        require_sound(await client.get(path, params={"after": cursor}), cursor)
    for limit in ("0", "-1", "1001", "9" * 400, "1e3", "NaN", "", "1.0", "٣", "0x10"):
        answer = await client.get(path, params={"limit": limit})
        assert answer.status_code in ({200, 400} if limit == "1.0" else {400}), (limit, answer.text)
        require_sound(answer, limit)
    twice = await client.get(f"{path}?limit=1&limit=2")
    require_sound(twice, "limit twice")


async def test_a_cursor_of_another_resource_is_refused_or_a_place(client: httpx2.AsyncClient) -> None:
    given = {}
    for path in PAGED:
        answer = (await client.get(path, params={"limit": 1})).json()
        if answer.get("next"):
            given[path] = httpx2.URL(answer["next"]).params["after"]
    assert len(given) >= 4
    for path in PAGED:
        for owner, cursor in given.items():
            answer = await client.get(path, params={"after": cursor, "limit": 5})
            require_sound(answer, (path, owner))
            # An edited one too: a byte more, a byte less, another byte.
            for edited in (cursor + "A", cursor[:-1], "B" + cursor[1:]):
                require_sound(await client.get(path, params={"after": edited}), (path, edited))


async def test_other_methods_are_refused_with_those_that_there_are(client: httpx2.AsyncClient) -> None:
    for path in (
        "/v1/releases",
        "/v1/decisions",
        "/v1/findings/f-1",
        "/v1/health",
        "/v1/openapi.json",
        "/v1/schemas/events",
    ):
        for method in ("OPTIONS", "TRACE", "PUT", "PATCH", "DELETE", "PROPFIND", "X" * 60):
            answer = await client.request(method, path)
            assert answer.status_code == 405, (method, path, answer.status_code)
            assert "GET" in answer.headers["allow"]
            require_sound(answer, (method, path))


async def test_filters_by_the_thousand(client: httpx2.AsyncClient) -> None:
    for query in (
        "printer=x&" * 2_000,
        "a" * 10_000,
        "&".join(f"p{nth}=1" for nth in range(1_000)),
        "limit[]=1",
        "limit[gt]=1",
    ):
        require_sound(await client.get(f"/v1/releases?{query}"), query[:40])
    fields = {"printer": HOSTILE, "verdict": "agrees", "grade": "tight", "from": "0001-01-01", "to": "9999-12-31"}
    require_sound(await client.get("/v1/releases", params=fields), fields)


async def test_each_release_is_met_once_while_others_come() -> None:
    """Newer and older ones are stored between the pages, at the same instants too."""
    known = month(days=14)
    journal = await journal_of(known)
    transport = httpx2.ASGITransport(ApiWorld.of(journal).app)
    async with httpx2.AsyncClient(transport=transport, base_url="http://reeve", headers=headers_as("names")) as asking:
        before = {one["release"] for one in (await asking.get("/v1/releases?limit=1000")).json()["items"]}
        for limit in (2, 5):
            met, url, tags = [], f"/v1/releases?limit={limit}", set()
            while url is not None:
                answer = await asking.get(url)
                tags.add(answer.headers["etag"])
                met += [one["release"] for one in answer.json()["items"]]
                url = answer.json()["next"]
                for nth, at_s in enumerate((-24 * DAY_S + len(met) * 40_000, 1_000.0 + len(met))):
                    more = late(started(f"more-{limit}-{len(met)}-{nth}", at_s, "sage", SIMPLE), 30 * DAY_S)
                    assert isinstance(more, ReleaseStarted)
                    known.append(more)
                    await journal.append(more)
                await journal.replace(PRINTER, None, rebuild(PRINTER, [one for one in known if one.printer == PRINTER]))
            assert sorted(name for name in met if name in before) == sorted(before)
            assert len(met) == len(set(met))
            assert len(tags) > len(before) / limit


async def test_a_tag_changes_with_what_it_is_of_and_only_then() -> None:
    journal = await full_journal()
    transport = httpx2.ASGITransport(ApiWorld.of(journal).app)
    async with httpx2.AsyncClient(transport=transport, base_url="http://reeve", headers=headers_as("names")) as asking:
        for path in ("/v1/releases", "/v1/printers", "/v1/periods/first-week", "/v1/totals"):
            tag = (await asking.get(path)).headers["etag"]
            again = [await asking.get(path, headers={"If-None-Match": told}) for told in (tag, f'"x", W/{tag}', "*")]
            assert [one.status_code for one in again] == [304, 304, 304]
        tag = (await asking.get("/v1/releases")).headers["etag"]
        known = [stored.fact async for stored in journal.facts(PRINTER)]
        more = started("more", 1_000, "sage", SIMPLE)
        await journal.append(more)
        await journal.replace(PRINTER, None, rebuild(PRINTER, [*known, more]))
        changed = await asking.get("/v1/releases", headers={"If-None-Match": tag})
        assert (changed.status_code, "more" in changed.text) == (200, True)
        # Who may see less has another answer, and so another tag.
        unnamed = await asking.get("/v1/releases", headers=headers_as("reader"))
        assert unnamed.headers["etag"] != changed.headers["etag"]
        assert unnamed.headers["vary"] == "Authorization"


async def test_a_crowd_of_questions_is_answered_or_told_to_come_again(client: httpx2.AsyncClient) -> None:
    """200 at once, again and again: as many as wait are answered, all others are told so at once."""
    seen: dict[int, int] = {}
    for _ in range(3):
        answers = await asyncio.gather(*(client.get("/v1/printers/nowhere") for _ in range(200)))
        for one in answers:
            seen[one.status_code] = seen.get(one.status_code, 0) + 1
            assert one.status_code == 404 or one.headers["retry-after"]
    assert set(seen) <= {404, 503}, seen
    assert seen[404] >= 3 * 64
    assert (await client.get("/v1/releases")).status_code == 200
