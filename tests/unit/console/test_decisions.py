"""``/v1/decisions`` asked, and how decisions are described beside questions."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest

from pagereeve.console.api.deciding.bodies import PLAIN
from pagereeve.domain.ledger import RowSegment, Verdict
from pagereeve.domain.values.plain_text import refused_character
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.page_decisions import undone, waived
from tests.unit.domain.accounts.test_edges import charge


@pytest.mark.parametrize("limit", [1, 2, 3, 100])
async def test_decisions_are_paged_in_the_order_in_which_they_came(limit: int) -> None:
    journal = MemoryJournal()
    of = replace(charge(10, 20), unproven=4, charged=0, verdict=Verdict.UNPROVEN)
    await journal.replace(of.printer, None, [RowSegment(of.printer, 1, None, charges=(of,))])
    first = waived("d-1", 50, of, 1)
    for one in (first, waived("d-2", 60, of, 2), undone("d-3", 70, first), undone("d-4", 80, first)):
        await journal.append(one)
    async with asking(journal, ACCOUNTING) as client:
        found, url = [], f"/v1/decisions?limit={limit}"
        while url is not None:
            answer = (await client.get(url)).json()
            assert len(answer["items"]) <= limit
            found += answer["items"]
            url = answer["next"]
        assert [one["decision"] for one in found] == ["d-1", "d-2", "d-3", "d-4"]
        assert [one["in_force"] for one in found] == [False, True, True, False]
        assert (found[0]["undone_by"], found[3]["problem"] is None) == ("d-3", False)
        assert {one["by"] for one in found} == {"warden"}
        assert (await client.get("/v1/decisions?printer=none")).json() == {"items": [], "next": None}
    async with asking(journal, READER) as client:
        assert "warden" not in (await client.get("/v1/decisions")).text


async def test_one_document_describes_questions_and_decisions() -> None:
    async with asking(MemoryJournal()) as client:
        document = (await client.get("/v1/openapi.json")).json()
        assert set(document["paths"]["/v1/decisions"]) == {"get", "post"}
        assert "post" in document["paths"]["/v1/findings/{finding}/decision"]
        named = set(re.findall(r'"#/components/schemas/([^"]+)"', json.dumps(document)))
        assert named <= set(document["components"]["schemas"])
        refused = await client.delete("/v1/decisions")
        assert (refused.status_code, refused.headers["allow"]) == (405, "GET, POST")
        # The query process decides nothing.
        sent = await client.post("/v1/decisions/d-1/undo", json={})
        assert (sent.status_code, sent.json()["where"]) == (503, "decision")


def test_the_document_refuses_the_texts_that_the_door_refuses() -> None:
    pattern = re.compile(PLAIN)
    for code in (*range(0x3000), 0x1F600):
        assert (pattern.fullmatch(chr(code)) is None) is bool(refused_character(chr(code))), hex(code)
