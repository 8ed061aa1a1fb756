"""/v1/evidence/{release}: what explain prints, and how much of it to whom."""

from __future__ import annotations

import json
from dataclasses import replace

from pagereeve.console.api.site import AskedSite
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.queries.explain import explained
from pagereeve.queries.own_view import for_its_owner
from pagereeve.reports.explain import explain_json
from pagereeve.settings.site import SiteSettings
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.histories import journal_of
from tests.statements import BERLIN
from tests.unit.queries.test_own_view import SHARED

SITE = AskedSite(site=SiteSettings(zone="Europe/Berlin"))
# Names, jobs, and words that people wrote.
SECRETS = ("anise", "basil", "job-r-1", "floor", "cellar", "bound for")


async def shared() -> MemoryJournal:
    return await journal_of(
        [
            replace(one, queue="Basil's queue in the cellar", was="bound for Basil")
            if isinstance(one, ReleaseStarted)
            else one
            for one in SHARED
        ]
    )


async def test_it_is_what_explain_prints_to_its_owner_or_with_everybody_s_names() -> None:
    journal = await shared()
    [known] = await explained(journal, "r-1")
    async with asking(journal, ACCOUNTING, SITE) as client:
        own = await client.get("/v1/evidence/r-1")
        all_names = await client.get("/v1/evidence/r-1?names=true")
    assert own.json() == json.loads(json.dumps([explain_json(for_its_owner(known), BERLIN)]))
    assert all_names.json() == json.loads(json.dumps([explain_json(known, BERLIN)]))
    assert not [name for name in ("person:basil", "floor") if name in own.text]
    assert "person:basil" in all_names.text
    assert "Basil from the second floor" in all_names.text


async def test_nobody_is_named_to_who_may_not_see_names() -> None:
    async with asking(await shared(), READER, SITE) as client:
        answer = await client.get("/v1/evidence/r-1?source=/release-server")
        refused = await client.get("/v1/evidence/r-1?names=true")
    assert (refused.status_code, refused.json()["cause"]) == (403, "names")
    assert answer.status_code == 200
    assert not [name for name in SECRETS if name in answer.text.casefold()]
    [body] = answer.json()
    assert body["names_left_out"] is True
    assert {(one["owner"], one["job"]) for one in [*body["charges"], *body["shared_with"]]} == {(None, None)}
    assert sum(leg["pages"] for posting in body["postings"] for leg in posting["legs"]) == 0
    # The figures are there, and why.
    assert body["charges"][0]["charged"] == 2
    assert any(line.startswith("Verdict: ") for channel in body["channels"] for line in channel["sentences"])


async def test_where_there_is_none_it_is_said_so() -> None:
    async with asking(await shared(), READER) as client:
        for path in ("r-9", "r-1?source=/other", ""):
            answer = await client.get(f"/v1/evidence/{path}")
            assert (answer.status_code, answer.json()["type"]) == (404, "urn:pagereeve:problem:not-found"), path
