"""/v1/releases/{release}: what came of a release, by any name, and whose it was only to who may see names."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final
from urllib.parse import quote

import pytest

from pagereeve.domain.facts.facts import Fact, ReleaseStarted
from pagereeve.domain.ledger import Charge
from pagereeve.domain.values.address_step import one_step
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.histories import ONE_RELEASE, PRINTER, SIMPLE, SOURCE, at, ended, journal_of, policy, reading, started
from tests.page_decisions import waived

LATER_S = 7_200


async def one_of(journal: MemoryJournal, path: str, **more: Any) -> dict[str, Any]:
    async with asking(journal, **more) as client:
        answer = await client.get(path)
    assert answer.status_code == 200, answer.text
    [item] = answer.json()["items"]
    return dict(item)


async def test_what_came_of_a_release_is_one_question() -> None:
    item = await one_of(await journal_of(ONE_RELEASE), "/v1/releases/r-1001", caller=ACCOUNTING)
    assert (item["source"], item["release"], item["printer"], item["state"]) == (SOURCE, "r-1001", PRINTER, "judged")
    assert (item["started"], item["ended"]) == ("2026-11-25T09:00:00.000000Z", "2026-11-25T09:00:06.000000Z")
    assert (item["outcome"], item["findings"], item["decisions"]) == ("completed", [], [])
    [charge] = item["charges"]
    assert (charge["released"], charge["counted"], charge["charged"], charge["verdict"]) == (5, 5, 5, "agrees")
    assert charge["person"] == "anise"
    async with asking(await journal_of(ONE_RELEASE)) as client:
        for link in (item["links"]["self"], item["links"]["evidence"]):
            assert link.endswith("?source=%2Frelease-server")
        assert (await client.get(item["links"]["self"])).status_code == 200


@pytest.mark.parametrize(
    ("facts", "state"),
    [
        ((policy(), reading(-60, -1, 100), started("r-1", 0, "anise", SIMPLE)), "running"),
        (
            (policy(), reading(-60, -1, 100), started("r-1", 0, "anise", SIMPLE), ended("r-1", 3)),
            "not-judged-yet",
        ),
        ((started("r-1", 0, "anise", SIMPLE), ended("r-1", 3)), "printer-unknown"),
    ],
)
async def test_the_state_says_how_far_it_is(facts: tuple[Fact, ...], state: str) -> None:
    item = await one_of(await journal_of(facts), "/v1/releases/r-1")
    assert item["state"] == state
    assert item["charges"][0]["verdict"] == ("unproven" if state == "printer-unknown" else "open")
    assert item["charges"][0]["person"] is None


async def test_one_whose_notice_was_just_stored_is_there_already() -> None:
    journal = MemoryJournal()
    await journal.append(started("r-1", 0, "anise", SIMPLE))
    item = await one_of(journal, f"/v1/releases/r-1?source={quote(SOURCE, safe='')}")
    assert (item["state"], item["charges"], item["outcome"], item["printer"]) == ("received", [], None, PRINTER)


NAMES: Final = (
    *("a/b", "a//b/", "/", "50% off?x=1#2", "%2F", " blanks  in ", "é中\U0001f5a8", "a&b=c+d;e", "r\\1", "x" * 196),
    *(".", "..", "./", "..//"),
)


async def test_a_name_may_be_any_text() -> None:
    begun = [started(name, nth, "anise", SIMPLE) for nth, name in enumerate(NAMES)]
    async with asking(await journal_of([policy(), reading(-60, -1, 100), *begun])) as client:
        for name in NAMES:
            [item] = (await client.get(f"/v1/releases/{one_step(name)}")).json()["items"]
            assert item["release"] == name
            [same] = (await client.get(item["links"]["self"])).json()["items"]
            assert same == item


async def test_a_name_that_was_used_again_is_several_releases_the_latest_first_in_pages() -> None:
    again = started("r-1", LATER_S, "basil", SIMPLE)
    assert isinstance(again, ReleaseStarted)
    again = replace(again, origin=replace(again.origin, id="again"))
    other = started("r-1", 2 * LATER_S, "sage", SIMPLE, source="/other")
    journal = await journal_of(
        [policy(), reading(-60, -1, 100), started("r-1", 0, "anise", SIMPLE), ended("r-1", 5), again, other]
    )
    async with asking(journal, ACCOUNTING) as client:
        whole = (await client.get("/v1/releases/r-1")).json()
        assert [one["charges"][0]["person"] for one in whole["items"]] == ["sage", "basil", "anise"]
        assert [one["outcome"] for one in whole["items"]] == [None, None, "completed"]
        assert whole["next"] is None
        found, path = [], "/v1/releases/r-1?limit=1"
        while path:
            page = (await client.get(path)).json()
            found += page["items"]
            path = page["next"]
        assert found == whole["items"]
        ours = (await client.get("/v1/releases/r-1", params={"source": SOURCE})).json()["items"]
        assert ours == whole["items"][1:]


async def _decided(journal: MemoryJournal) -> Charge:
    [charge] = await journal.charges_of("r-1")
    wrong = waived("w-1", at(LATER_S), charge, 5)
    await journal.append(replace(wrong, by="warden", said=replace(wrong.said, text="Anise says it jammed")))
    return charge


async def test_decisions_about_its_pages_are_there_and_nobody_is_named_to_who_may_not_see_names() -> None:
    facts = [started("r-1", 0, "anise", SIMPLE), ended("r-1", 5)]
    journal = await journal_of(facts)
    await _decided(journal)
    known = await one_of(journal, "/v1/releases/r-1", caller=ACCOUNTING)
    assert [one["kind"] for one in known["findings"]] == ["unknown-printer"]
    [decision] = known["decisions"]
    assert (decision["act"], decision["by"], decision["text"]) == ("waive", "warden", "Anise says it jammed")
    async with asking(journal, READER) as client:
        answer = await client.get("/v1/releases/r-1")
    assert not [name for name in ("anise", "warden", "jammed") if name in answer.text.casefold()]
    assert answer.json()["items"][0]["decisions"][0]["unproven"] == -5


async def test_where_there_is_none_near_names_are_offered_and_nobody_is_named() -> None:
    async with asking(await journal_of(ONE_RELEASE), READER) as client:
        answer = await client.get("/v1/releases/r-1010")
        assert (answer.status_code, answer.headers["content-type"]) == (404, "application/problem+json")
        body = answer.json()
        assert (body["type"], body["where"]) == ("urn:pagereeve:problem:not-found", "release")
        assert "near it: 'r-1001' of '/release-server'" in body["detail"]
        assert "anise" not in body["detail"]
        assert (await client.get("/v1/releases/r-1001?source=/other")).status_code == 404
        for wrong in ("?sourse=x", "?limit=0", "?after=x", f"?source={'x' * 1_025}"):
            assert (await client.get(f"/v1/releases/r-1001{wrong}")).status_code == 400, wrong
