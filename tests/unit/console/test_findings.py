"""``/v1/findings``: filtered, paged, and told without names where names may not be seen."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import httpx2
import pytest

from pagereeve.domain.facts.facts import Decided, Origin
from pagereeve.domain.findings import evidence
from pagereeve.domain.ledger import Finding, ReleaseKey, RowSegment
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.property.days import PRINTER
from tests.unit.queries.test_queries import FINDINGS

DECIDED = Decided("hall", Origin("urn:d", "d-1", 5, 5), "f-6", "explain", "warden", "jam", "mrs anise said so")


@pytest.fixture
async def journal() -> MemoryJournal:
    held = MemoryJournal()
    for printer in (PRINTER, "hall"):
        mine = tuple(_of_hall(one) if one.id == "f-6" else one for one in FINDINGS if one.printer == printer)
        await held.replace(printer, None, [RowSegment(printer, 1, None, findings=mine)])
    return held


def _of_hall(finding: Finding) -> Finding:
    said = (evidence.release(ReleaseKey("urn:s", "r-1")), evidence.decided(DECIDED))
    return replace(finding, evidence=said, releases=(ReleaseKey("urn:s", "r-1"),))


async def pages(client: httpx2.AsyncClient, url: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    while True:
        answer = await client.get(url)
        assert answer.status_code == 200, answer.text
        found += answer.json()["items"]
        url = answer.json()["next"]
        if url is None:
            return found


@pytest.mark.parametrize(
    ("asked", "names"),
    [
        ("", ["f-2", "f-4", "f-5", "f-3", "f-6", "f-1"]),
        ("state=open", ["f-2", "f-5", "f-6", "f-1"]),
        ("kind=surplus&severity=critical", ["f-5"]),
        ("printer=hall", ["f-6"]),
        ("printer=", []),
        ("from=2000-01-01&to=2001-01-01", []),
    ],
)
async def test_findings_are_filtered_and_paged_the_worst_first(
    journal: MemoryJournal, asked: str, names: list[str]
) -> None:
    async with asking(journal) as client:
        for limit in (1, 2, 1000):
            assert [one["id"] for one in await pages(client, f"/v1/findings?limit={limit}&{asked}")] == names


async def test_a_finding_is_told_with_its_evidence_and_what_to_do(journal: MemoryJournal) -> None:
    async with asking(journal, ACCOUNTING) as client:
        told = (await client.get("/v1/findings/f-6")).json()
        assert (told["kind"], told["severity"], told["state"]) == ("shortfall", "warning", "open")
        assert told["releases"] == [{"source": "urn:s", "release": "r-1"}]
        assert told["advice"]["first"].startswith("Check whether the printer stopped")
        release, decided = told["evidence"]
        assert (release["kind"], release["release"]["release"]) == ("release", "r-1")
        assert decided["personal"] is True
        assert (decided["values"]["by"], decided["values"]["text"]) == ("warden", "mrs anise said so")
        [listed] = await pages(client, "/v1/findings?printer=hall")
        assert listed == told


async def test_evidence_that_names_persons_is_left_out_without_the_act_names(journal: MemoryJournal) -> None:
    async with asking(journal, READER) as client:
        answer = await client.get("/v1/findings/f-6")
        assert [one["kind"] for one in answer.json()["evidence"]] == ["release"]
        every = await client.get("/v1/findings")
        assert "anise" not in answer.text + every.text
        assert "warden" not in answer.text + every.text


async def test_the_summary_adds_up_what_the_list_shows(journal: MemoryJournal) -> None:
    async with asking(journal) as client:
        summary = (await client.get("/v1/findings/summary")).json()
        assert summary["period"]["from"] is None
        lines = summary["summary"]
        assert {"reason": "jam", "open": False, "kind": "surplus"}.items() <= lines[0].items()
        assert sum(one["findings"] for one in lines) == len(await pages(client, "/v1/findings"))
        past = (await client.get("/v1/findings/summary?period=2001-01")).json()
        assert past["summary"] == []


@pytest.mark.parametrize(
    ("path", "status", "where"),
    [
        ("/v1/findings/nothing", 404, "finding"),
        (f"/v1/findings/{'x' * 201}", 400, "finding"),
        ("/v1/findings?state=done", 400, "state"),
        ("/v1/findings?severity=bad", 400, "severity"),
        ("/v1/findings?since=2026", 400, "since"),
        ("/v1/findings?after=abc", 400, "after"),
        ("/v1/findings?period=nonsense", 400, "period"),
        ("/v1/findings/summary?limit=3", 400, "limit"),
        ("/v1/findings/f-1?names=1", 400, "names"),
    ],
)
async def test_what_cannot_be_answered_names_the_parameter(
    journal: MemoryJournal, path: str, status: int, where: str
) -> None:
    async with asking(journal) as client:
        answer = await client.get(path)
        assert (answer.status_code, answer.json()["where"]) == (status, where)
        assert answer.headers["content-type"] == "application/problem+json"
