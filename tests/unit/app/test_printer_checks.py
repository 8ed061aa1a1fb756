"""A check of one printer that a program asks for: who may, how many at once, what is said where it can't be made."""

from __future__ import annotations

import asyncio

import httpx2
import pytest

from pagereeve.app.installing.check_door import AT_ONCE, CheckDoor
from pagereeve.app.installing.checking import Checking
from pagereeve.app.installing.installing import READS
from pagereeve.feeds.http.answers import Message, Receive, Scope, Send
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.testing import LoopClock, MemoryIntake
from tests.credentials import bearer, callers_of, credential
from tests.installing import token_of
from tests.signing_in import Browser
from tests.unit.app.test_installing import TEXT, Asked, World, browser_of, world

__all__ = ["world"]


async def checked(browser: Browser, printer: str = "hall", **more: str) -> httpx2.Response:
    token = await token_of(browser)
    return await browser.post(f"/v1/printers/{printer}/check{more.pop('query', '')}", {}, pagereeve_csrf=token)


async def test_a_program_has_a_printer_checked_and_reads_what_it_lacks(world: World) -> None:
    async with browser_of(world) as browser:
        answer = await checked(browser)
        body = answer.json()
        assert (answer.status_code, body["standing"], body["serial"]) == (200, "only-unproven", "S-1")
        assert body["meter"] == {"answers": True, "reason": "", "total": 5}
        assert [one["part"] for one in body["lacks"]] == ["proof"]
        assert [one.name for one in world.checking.asked] == ["hall"]
        missing = await checked(browser, "attic")
        assert (missing.status_code, missing.json()["type"]) == (404, "urn:pagereeve:problem:not-found")
        assert (await checked(browser, query="?deep=yes")).status_code == 400
        assert (await browser.get("/v1/printers/hall/check")).status_code == 405


@pytest.mark.parametrize(
    ("more", "setting"),
    [
        ('community_file = "secrets/lib"\n', "community_file"),
        ('community_env = "NOBODY_SET_THIS"\n', "community_env"),
        (
            'version = "3"\nuser = "meter"\nauth = "sha256"\nauth_password_file = "secrets/lib"\n',
            "auth_password_file",
        ),
    ],
)
async def test_a_secret_that_is_gone_is_named_by_its_setting_and_counted(
    world: World, more: str, setting: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    world.config.write_text(TEXT.replace('community_file = "secrets/lib"\n', more))
    monkeypatch.setattr(Asked, "many", Checking.many)
    counted = dict[str, int]()
    async with browser_of(world, refused=counted) as browser:
        answer = await checked(browser)
    body = answer.json()
    assert (answer.status_code, body["type"]) == (503, "urn:pagereeve:problem:unusable-setting")
    assert body["where"] == f"[[printers]] hall, {setting}"
    assert "pagereeve doctor" in body["detail"]
    # Where the file lies, and what it held, is nobody's business out there.
    assert "secrets" not in answer.text
    assert (counted["unusable-setting"], counted["over-capacity"]) == (1, 0)


async def test_checks_are_few_and_for_those_who_install(world: World) -> None:
    async with browser_of(world) as browser:
        burst = int(READS[1])
        answers = [(await checked(browser)).status_code for _ in range(burst + 1)]
        assert answers == [200] * burst + [429]
        assert len(world.checking.asked) == burst
        unproven = await browser.post("/v1/printers/hall/check", {})
        assert unproven.status_code == 403  # a page elsewhere knows no form token
    async with browser_of(world, "read", "decide", name="clerk") as browser:
        refused = await browser.post("/v1/printers/hall/check", {}, pagereeve_csrf=await browser.form_token())
        assert (refused.status_code, "needs the act install" in refused.text) == (403, True)
    assert len(world.checking.asked) == burst


async def test_so_many_checks_at_once_and_no_more() -> None:
    callers = callers_of(credential("tool", "install"))
    events = EventsEndpoint(MemoryIntake(), None, clock=LoopClock(), callers=callers)
    going_on, answers = asyncio.Event(), list[int]()

    async def checking(_: Scope, __: Receive, send: Send) -> None:
        await going_on.wait()
        await send({"type": "http.response.start", "status": 200, "headers": []})

    async def send(message: Message) -> None:
        if message["type"] == "http.response.start":
            answers.append(message["status"])

    async def no_body() -> Message:
        raise NotImplementedError

    path = "/v1/printers/hall/check"
    shown = [(b"authorization", bearer("tool").encode())]
    scope = {"type": "http", "method": "POST", "path": path, "headers": shown, "client": ("192.0.2.1", 1)}
    door = CheckDoor(checking, events)
    async with asyncio.TaskGroup() as group:
        for _ in range(AT_ONCE + 2):
            group.create_task(door(dict(scope), no_body, send))
        await asyncio.sleep(0)
        going_on.set()
    assert sorted(answers) == [200] * AT_ONCE + [503] * 2
    assert events.stats.refused["over-capacity"] == 2
