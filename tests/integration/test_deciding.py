"""Decisions over HTTP, at the running daemon: who may, what comes of them, and what is sent twice."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import httpx2
import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.deciding.decider import Decider, decision_door
from pagereeve.app.deciding.submitting import Submitting
from pagereeve.app.replay import replay_store
from pagereeve.console.api.asker import SESSION
from pagereeve.console.api.deciding.bodies import Settle
from pagereeve.console.api.problems import ApiProblem
from pagereeve.domain.credentials.callers import Act, Caller
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.feeds.http.answers import CALLER, Receive, Scope, Send
from pagereeve.feeds.http.settings import CredentialSettings
from pagereeve.feeds.local.peer import this_user
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.intake import Envelope
from pagereeve.settings import HostPort, HttpSettings
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.credentials import bearer, token_of
from tests.histories import PRINTER, SIMPLE, reading, started
from tests.integration.daemon import Outside, hasty_settings, until
from tests.integration.test_page_decisions import FACTS
from tests.telemetry_stub import GOES

ACTS: Final[dict[str, frozenset[Act]]] = {
    "decides": frozenset({"decide"}),
    "sees": frozenset({"decide", "read", "names"}),
    "reads": frozenset({"read"}),
}
WAIVE: Final[dict[str, Any]] = {"act": "waive", "of": {"release": "r-9"}, "reason": "jam"}


REFUSED: Final[list[tuple[str, Any, int, str]]] = [
    ("findings/f-nothing/decision", {"action": "close"}, 404, "finding"),
    ("findings/f-nothing/decision", {"action": "explain"}, 400, "explain.reason"),
    ("findings/f-nothing/decision", {"action": "forget"}, 400, "body"),
    ("findings/f-nothing/decision", {"action": "close", "by": "me"}, 400, "close.by"),
    ("findings/f-nothing/decision?dry=1", {"action": "close"}, 400, "dry"),
    ("findings/f-nothing/decision", {"action": "close", "text": "a\u202eb"}, 400, "body.text"),
    ("findings/f-nothing/decision", {"action": "close", "text": "x" * 1_025}, 400, "close.text"),
    ("findings/f-nothing/decision", {"action": "close", "text": "x" * 20_000}, 413, "body"),
    ("decisions", {**WAIVE, "of": {"release": "r-none"}}, 404, "of.release"),
    ("decisions", {**WAIVE, "of": {"finding": "f-none"}}, 404, "of.finding"),
    ("decisions", {**WAIVE, "pages": "3"}, 400, "waive.pages"),
    ("decisions", {**WAIVE, "pages": 6}, 409, "decision"),
    ("decisions", {**WAIVE, "act": "undo"}, 400, "body"),
    ("decisions", [], 400, "body"),
]


def credentials_in(folder: Path, **more: Act) -> HttpSettings:
    given = []
    for name, acts in (ACTS | {name: frozenset({act}) for name, act in more.items()}).items():
        file = folder / name
        file.write_text(token_of(name))
        given.append(CredentialSettings(name=name, acts=acts, token_file=file))
    return HttpSettings(listen=HostPort("127.0.0.1", 0), credentials=tuple(given))


@pytest.fixture
async def world(tmp_path: Path) -> AsyncIterator[Outside]:
    """As tests.integration.test_page_decisions has it, with credentials."""
    folder = tmp_path / "data"
    folder.mkdir()
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        for fact in FACTS:
            await journal.append(fact)
        for name, at_s in (("r-9", 100), ("r-8", 200)):
            elsewhere = started(name, at_s, "basil", SIMPLE)
            assert isinstance(elsewhere, ReleaseStarted)
            await journal.append(replace(elsewhere, printer="nowhere"))
        await journal.observe(PRINTER, [], reading(1000, 2000, 1012))
        await replay_store(journal, store=True)
    finally:
        await journal.close()
    settings = hasty_settings(folder, (), http=credentials_in(tmp_path))
    async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
        yield outside


async def post(world: Outside, path: str, said: Any, who: str = "sees", key: str = "") -> httpx2.Response:
    headers = {"Authorization": bearer(who), **({"Idempotency-Key": key} if key else {})}
    return await world.client.post(f"{world.url}/v1/{path}", json=said, headers=headers)


async def get(world: Outside, path: str, caller: Caller = ACCOUNTING) -> Any:
    """As the query process answers it (test_questions.py), whose start would cost a second."""
    async with asking(world.app.store, caller) as client:
        answer = await client.get(f"/v1/{path}")
    assert answer.status_code == 200, answer.text
    return answer.json()


async def stray(world: Outside) -> dict[str, Any]:
    return await until(lambda: _first(world, "findings?kind=stray-pages"), "stray pages")


async def _first(world: Outside, path: str) -> dict[str, Any] | None:
    return next(iter((await get(world, path))["items"]), None)


async def test_a_finding_is_decided_on_and_the_next_question_shows_it(world: Outside) -> None:
    found = await stray(world)
    path = f"findings/{found['id']}/decision"
    assert (await post(world, path, {"action": "close"}, "reads")).json()["cause"] == "decide"
    closing = {"action": "close", "reason": "walk-up-copy", "text": "at the desk"}
    answer = await post(world, path, closing, "decides", key="close-1")
    assert answer.status_code == 200, answer.text
    closed = answer.json()
    assert (closed["decision"], closed["state"], closed["shown"], closed["repeated"]) == (
        *("close-1", "closed"),
        *(True, False),
    )
    shown = await get(world, f"findings/{found['id']}")
    assert (shown["state"], shown["reason"]) == ("closed", "walk-up-copy")
    [decided] = [one for one in shown["evidence"] if one["kind"] == "decided"]
    assert (decided["values"]["by"], decided["values"]["text"]) == ("decides", "at the desk")

    again = await post(world, path, closing, "decides", key="close-1")
    assert (again.status_code, again.json()) == (200, {**closed, "repeated": True})
    other = await post(world, path, {**closing, "reason": "jam"}, "decides", key="close-1")
    assert (other.status_code, other.json()["where"]) == (409, "Idempotency-Key")
    another = await post(world, path, {**closing, "reason": "jam"}, "sees", key="close-1")
    assert another.status_code == 409  # the journal knows the id
    assert len([one for one in (await get(world, f"findings/{found['id']}"))["evidence"] if one["personal"]]) == 1

    opened = await post(world, path, {"action": "reopen", "text": "not so"}, "sees", key="open-1")
    assert (opened.status_code, opened.json()["state"], opened.json()["shown"]) == (200, "open", True)
    shown = await get(world, f"findings/{found['id']}")
    assert (shown["state"], shown["reason"]) == ("open", found["reason"])
    twice = await post(world, path, {"action": "reopen"}, "sees")
    assert (twice.status_code, twice.json()["where"]) == (409, "data.action")

    # Explained as maintenance there is no finding any more, and its decision, sent again, stands.
    maintained = {"action": "explain", "reason": "maintenance"}
    for repeated in (False, True):
        gone = (await post(world, path, maintained, key="gone")).json()
        assert (gone["state"], gone["shown"], gone["repeated"]) == ("explained", True, repeated)


async def test_pages_are_waived_moved_and_given_back(world: Outside) -> None:
    found = await stray(world)
    tried = await post(world, "decisions", {**WAIVE, "dry_run": True}, "decides")
    assert (tried.status_code, tried.json()["dry_run"], tried.json()["shown"]) == (200, True, False)
    assert (await get(world, "decisions"))["items"] == []

    waived = (await post(world, "decisions", WAIVE, key='"w-1"')).json()
    [one] = waived["decisions"]
    assert (one["decision"], one["pages"], one["unproven"], one["by"], one["in_force"]) == ("w-1", 5, -5, "sees", True)
    assert (await get(world, "decisions"))["items"] == [one]
    assert (await post(world, "decisions", WAIVE, key="w-1")).json() == {**waived, "repeated": True}
    assert (await post(world, "decisions", {**WAIVE, "reason": "other"}, key="w-1")).status_code == 409
    again = await post(world, "decisions", WAIVE, key="w-2")
    assert (again.status_code, again.json()["type"]) == (409, "urn:pagereeve:problem:not-possible")

    move = {"act": "move", "from": "stray", "of": {"finding": found["id"]}, "to": "person", "to_name": "chervil"}
    moved = (await post(world, "decisions", {**move, "reason": "found-out", "pages": 5, "text": "chervil"})).json()
    assert {"account": "person:chervil", "pages": 5} in moved["decisions"][0]["legs"]
    without_names = await get(world, "decisions?printer=" + found["printer"], READER)
    assert "chervil" not in json.dumps(without_names)
    assert [leg["account"] for leg in without_names["items"][0]["legs"]].count(None) == 1

    [first] = (await get(world, "decisions?limit=1"))["items"]
    undone = (await post(world, f"decisions/{first['decision']}/undo", {}, "decides", key="u-1")).json()
    assert (undone["decisions"][0]["undoes"], undone["decisions"][0]["by"]) == ("w-1", None)
    assert (await get(world, "decisions?limit=1"))["items"][0]["undone_by"] == "u-1"
    twice = await post(world, "decisions/w-1/undo", {})
    assert (twice.status_code, "undone already" in twice.json()["detail"]) == (409, True)
    assert (await post(world, "decisions/nothing/undo", {})).status_code == 404


async def test_a_form_decides_where_a_page_of_ours_sent_it(world: Outside) -> None:
    found = await stray(world)
    path = f"/findings/{found['id']}/decide"
    form = {"action": "explain", "reason": "walk-up-copy", "text": "", "key": "once"}
    # A program's token proves no page.
    refused = await world.client.post(world.url + path, data=form, headers={"Authorization": bearer("decides")})
    assert (refused.status_code, refused.json()["where"]) == (403, "form")

    door = decision_door(world.app.store, world.app.events, world.app.clock, world.app.closings)

    async def signed_in(scope: Scope, receive: Receive, send: Send) -> None:
        await door({**scope, CALLER: Caller("mara", frozenset({"decide"})), SESSION: "of mara"}, receive, send)

    async with httpx2.AsyncClient(transport=httpx2.ASGITransport(signed_in), base_url="http://page") as browser:
        json_body = await browser.post(path, json=form)
        assert (json_body.status_code, json_body.json()["where"]) == (415, "Content-Type")
        for _ in range(2):
            answer = await browser.post(path, data=form)
            assert (answer.status_code, answer.headers["location"]) == (
                303,
                f"/findings/{found['id']}?came=explained",
            )
    shown = await get(world, f"findings/{found['id']}")
    [decided] = [one for one in shown["evidence"] if one["kind"] == "decided"]
    assert (shown["state"], decided["values"]["by"]) == ("explained", "mara")


async def test_what_cannot_be_decided_names_the_member(world: Outside) -> None:
    for path, said, status, where in REFUSED:
        answer = await post(world, path, said)
        assert (answer.status_code, answer.json()["where"]) == (status, where), answer.text
        assert answer.headers["content-type"] == "application/problem+json"
    url = f"{world.url}/v1/decisions"
    plain = await world.client.post(url, content=b"{}", headers={"Authorization": bearer("sees")})
    assert (plain.status_code, plain.json()["where"]) == (415, "Content-Type")
    headers = {"Authorization": bearer("sees"), "Content-Type": "application/json"}
    twice = await world.client.post(url, content=b'{"act":"waive","act":"move"}', headers=headers)
    assert (twice.status_code, "twice" in twice.json()["detail"]) == (400, True)
    nobody = await world.client.post(url, json=WAIVE)
    assert (nobody.status_code, nobody.headers["www-authenticate"]) == (401, 'Bearer realm="pagereeve"')
    assert (await get(world, "decisions"))["items"] == []


async def test_the_local_socket_decides_as_its_user(world: Outside) -> None:
    transport = httpx2.AsyncHTTPTransport(uds=str(world.app.settings.local_socket_path))
    async with httpx2.AsyncClient(transport=transport, base_url="http://local") as client:
        answer = await client.post("/v1/decisions", json=WAIVE)
    assert answer.status_code == 200, answer.text
    assert answer.json()["decisions"][0]["by"] == this_user().name


async def test_how_it_fares_is_the_daemons_own_answer(world: Outside) -> None:
    headers = {"Authorization": bearer("reads")}
    url = f"{world.url}/v1/health"
    answer = await world.client.get(url, headers=headers)
    told = answer.json()
    clock = told.pop("clock")
    assert (answer.status_code, told) == (200, {"ready": True, "not_ready": {}, "notices": {}})
    # Its facts are days old, and nobody said that the clock is right.
    assert (set(clock), clock["agreed"], clock["ahead_s"] > 86_400) == (set(GOES), False, True)
    head = await world.client.head(url, headers=headers)
    assert (head.status_code, head.content, head.headers["etag"]) == (200, b"", answer.headers["etag"])
    assert (await world.client.get(url)).status_code == 401
    assert (await world.client.get(url, headers={"Authorization": bearer("decides")})).status_code == 403
    assert world.app.query_process.pid is None  # nobody else was asked


async def test_one_key_is_one_decision_after_a_restart_and_by_another_it_is_refused(world: Outside) -> None:
    waived = (await post(world, "decisions", WAIVE, key="k-1")).json()
    events, store, clock = world.app.events, world.app.store, world.app.clock
    # Another decider remembers no keys, as that of a daemon that was started again.
    again = Decider(store, events, clock, world.app.closings)
    said = Settle.model_validate(WAIVE)
    caller = Caller("sees", ACTS["sees"])
    told = await again.on_pages(said, caller, "k-1")
    assert told.repeated is True
    assert told.model_dump(by_alias=True)["decisions"] == waived["decisions"]
    for other, who in ((said.model_copy(update={"reason": "other"}), "sees"), (said, "decides")):
        with pytest.raises(ApiProblem, match="was used for another decision"):
            await Decider(store, events, clock, world.app.closings).on_pages(other, Caller(who, ACTS["sees"]), "k-1")


async def test_nothing_is_decided_where_one_part_may_not_be_and_what_broke_off_is_completed(
    world: Outside, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = await until(lambda: _first(world, "findings?kind=unknown-printer"), "the releases at no printer")
    said = Settle.model_validate({**WAIVE, "of": {"finding": found["id"]}})
    decider = Decider(world.app.store, world.app.events, world.app.clock, world.app.closings)
    few = Caller("few", ACTS["decides"], pages_max=4)
    with pytest.raises(Refusal, match="pages_max"):
        await decider.on_pages(said, few, "k-2")
    assert (await get(world, "decisions"))["items"] == []

    submit = Submitting.submit
    sent: list[str] = []

    async def once(self: Submitting, envelope: Envelope, caller: Caller) -> bool:
        if sent:
            raise Refusal("journal-unavailable", "event", "nothing was stored")
        sent.append(envelope.id)
        return await submit(self, envelope, caller)

    holder = Caller("sees", ACTS["sees"])
    with monkeypatch.context() as broken:
        broken.setattr(Submitting, "submit", once)
        with pytest.raises(Refusal, match="nothing was stored"):
            await decider.on_pages(said, holder, "k-2")
    assert [one["decision"] for one in (await get(world, "decisions"))["items"]] == sent == ["k-2:0"]
    for repeated in (False, True):
        whole = await decider.on_pages(said, holder, "k-2")
        assert sorted(one.decision for one in whole.decisions) == ["k-2", "k-2:0"]
        assert ({one.in_force for one in whole.decisions}, whole.repeated) == ({True}, repeated)
    assert len((await get(world, "decisions"))["items"]) == 2
