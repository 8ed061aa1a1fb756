"""Names of printers, gateways and readers that nobody knows, other names, renames, corrected notices, and booking."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from pydantic import SecretStr

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.daemon_client import NotTaken
from pagereeve.app.decision_shown import tell_until_shown
from pagereeve.app.decisions import DecisionRequest, tell_daemon
from pagereeve.cli import status_of
from pagereeve.domain.facts.facts import Decided, Fact, ReleaseStarted
from pagereeve.domain.ledger import Charge, Verdict
from pagereeve.settings import BadgeFormSettings, GatewaySettings, PrinterSettings, ReaderSettings, Settings
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.histories import PRINTER, SIMPLE, ended, policy, reading, started
from tests.integration.daemon import Outside, hasty_settings, until
from tests.projecting import Project, kinds, projecting

COMMUNITY = "an-invented-one"
STARTED = "pagereeve.release.started.v1"


@pytest.fixture
def project(tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> Project:
    return projecting(tmp_path, capsysbinary)


@pytest_asyncio.fixture
async def fleet() -> AsyncIterator[Fleet]:
    fleet = Fleet(1, SystemClock(), community=COMMUNITY)
    await fleet.start()
    yield fleet
    await fleet.stop()


def settings_of(fleet: Fleet, folder: Path, name: str, **more: Any) -> Settings:
    (address,) = fleet.addresses().values()
    host, port = address
    printer = PrinterSettings(
        name=name, host=host, port=port, community=SecretStr(COMMUNITY), gateway="east-gw", **more
    )
    reader = ReaderSettings(gateway="east-gw", name="desk", form=BadgeFormSettings())
    return hasty_settings(folder, [printer], gateways=(GatewaySettings(name="east-gw"),), readers=(reader,))


@pytest_asyncio.fixture
async def outside(fleet: Fleet, tmp_path: Path) -> AsyncIterator[Outside]:
    settings = settings_of(fleet, tmp_path / "data", "library-ground", also=("LIB 1",), was="library-old")
    async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as seen:
        await seen.first_reading("library-ground")
        yield seen


def start(printer: str, release: str = "r-1", **more: Any) -> dict[str, Any]:
    ticket = {"pages": 5, "sides": "one-sided"}
    return {"release": release, "job": "j", "owner": "anise", "printer": printer, "ticket": ticket} | more


async def told(outside: Outside, name: str, data: dict[str, Any], kind: str = STARTED) -> list[tuple[str, str]]:
    answer = await outside.send(kind, name, data)
    assert answer.status_code == 200, answer.text
    return [(one["where"], one["detail"]) for one in answer.json().get("remarks", [])]


async def test_the_answer_names_what_nobody_knows_and_the_nearest_name(outside: Outside) -> None:
    ((where, text),) = await told(outside, "e-1", start("libary-ground"))
    assert (where, "did you mean 'library-ground'?" in text) == ("data.printer", True)
    ((_, text),) = await told(outside, "e-2", start("quite another"))
    assert "did you mean" not in text
    ((where, text),) = await told(outside, "e-3", start("library-ground", "r-3", gateway="eats-gw"))
    assert (where, "'east-gw'" in text) == ("data.gateway", True)
    badge = {"badge": "04A1B2C3", "gateway": "east-gw", "reader": "dekc"}
    ((where, text),) = await told(outside, "e-4", badge, "pagereeve.badge.presented.v1")
    assert (where, "did you mean 'desk'?" in text) == ("data.reader", True)
    assert await told(outside, "e-5", start("library-ground", "r-5", gateway="east-gw")) == []


@pytest.mark.parametrize("name", ["LIB 1", "library-old"])
async def test_another_name_leads_to_the_printer_and_the_answer_says_so(outside: Outside, name: str) -> None:
    ((where, text),) = await told(outside, "e-1", start(name))
    assert (where, "'library-ground'" in text) == ("data.printer", True)
    (kept,) = [
        one.fact async for one in outside.app.store.facts("library-ground") if isinstance(one.fact, ReleaseStarted)
    ]
    assert kept.release == "r-1"
    assert [one async for one in outside.app.store.facts(name)] == []


async def test_a_notice_again_with_a_fresh_time_is_the_same(outside: Outside) -> None:
    first, again, other = (start("library-ground"), start("library-ground"), start("library-ground", job="j-2"))
    times = ("2026-11-25T09:00:00Z", "2026-11-25T09:00:07Z", "2026-11-25T09:00:00Z")
    answers = [
        await outside.send(STARTED, "e-1", data, time) for data, time in zip((first, again, other), times, strict=True)
    ]
    assert [one.json().get("outcome", one.status_code) for one in answers] == ["stored", "duplicate", 409]


async def test_a_release_nobody_knows_the_printer_of_is_booked_where_its_pages_are(
    outside: Outside, fleet: Fleet
) -> None:
    await told(outside, "e-1", start("basement"))
    await outside.send("pagereeve.release.ended.v1", "e-2", {"release": "r-1", "outcome": "completed"})
    (printer,) = fleet.printers.values()
    printer.mark(5)
    found = await outside.finding("unknown-printer", "basement")
    await outside.finding("stray-pages", "library-ground")
    said = DecisionRequest(found.id, "book", at="nowhere")
    socket = outside.app.settings.local_socket_path
    with pytest.raises(NotTaken, match=r"data\.at"):
        await asyncio.to_thread(tell_daemon, socket, said)
    journal = outside.app.settings.data_dir / JOURNAL_NAME
    assert await asyncio.to_thread(tell_until_shown, socket, journal, replace(said, at="library-ground"))
    # What the next command reads has them at their new printer.
    (now,) = await outside.app.store.charges_of("r-1 at library-ground")
    assert now.printer == "library-ground"

    async def booked() -> Charge | None:
        charges = await outside.app.store.charges_of("r-1 at library-ground")
        return next((one for one in charges if one.verdict is Verdict.AGREES), None)

    assert (await until(booked, "a booked release")).charged == 5

    async def gone() -> bool | None:
        left = [one.kind for one in await outside.app.store.findings(only_open=True)]
        return True if not left and not await outside.app.store.charges_of("r-1") else None

    assert await until(gone, "the release at the unknown printer to be gone")


async def test_a_renamed_printer_goes_on_where_it_was(fleet: Fleet, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    (printer,) = fleet.printers.values()
    async with App(settings_of(fleet, folder, "old-name"), first_reads_spread_s=0.0) as app, Outside(app) as seen:
        await seen.first_reading("old-name")
        printer.mark(3)
        await seen.finding("stray-pages", "old-name")
    printer.mark(2)
    settings = settings_of(fleet, folder, "new-name", was="old-name")
    async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as seen:
        # What was counted while nobody watched is stray at the new name: no page is lost, none is there twice.
        assert (await seen.finding("stray-pages", "new-name")).pages == 2
        known = [one for one in await app.store.findings(only_open=False) if one.printer == "old-name"]
        assert [(one.kind, one.state, one.pages) for one in known] == [("stray-pages", "closed", 3)]
        decided = [one.fact async for one in app.store.facts("old-name") if isinstance(one.fact, Decided)]
        assert [one.text for one in decided] == ["the printer's name is new-name now"]
    async with App(settings, first_reads_spread_s=0.0) as app:
        again = [one.fact async for one in app.store.facts("old-name") if isinstance(one.fact, Decided)]
        assert again == decided


def at(printer: str, fact: Fact) -> Fact:
    return replace(fact, printer=printer)


def lost_and_found() -> list[Fact]:
    """A release at a printer that nobody knows, and five stray pages at one that is known."""
    facts: list[Fact] = [policy(), reading(-1800, -2, 1000, count=4), reading(9, 60, 1005, count=9)]
    return [*facts, at("basement", started("r-1", 0, "anise", SIMPLE)), at("basement", ended("r-1", 6))]


def test_a_release_at_an_unknown_printer_ends_as_unproven_and_what_fits_is_offered(project: Project) -> None:
    body = project(lost_and_found())
    (charge,) = body["printers"]["basement"]["charges"]
    assert (charge["verdict"], charge["unproven"], charge["reasons"]) == ("unproven", 5, ["unknown-printer"])
    assert charge["closed"] == "2026-11-25T09:00:06.000000Z"
    (found,) = body["printers"]["basement"]["findings"]
    offered = [one["values"] for one in found["evidence"] if one["kind"] == "perhaps-at"]
    (stray,) = body["printers"][PRINTER]["findings"]
    assert offered == [{"finding": stray["id"], "pages": 5, "printer": PRINTER}]
    other = project([*lost_and_found()[:2], reading(9, 60, 1006, count=9), *lost_and_found()[3:]])
    assert "perhaps-at" not in str(other["printers"]["basement"])


@pytest.mark.parametrize("same_printer", [True, False])
def test_a_corrected_notice_takes_the_place_of_the_one_that_it_replaces(project: Project, same_printer: bool) -> None:
    wrong = at(PRINTER if same_printer else "basement", started("r-1", 0, "anise", SIMPLE))
    right = started("r-2", 1, "basil", SIMPLE)
    assert isinstance(right, ReleaseStarted)
    facts = [policy(), reading(-1800, -2, 1000, count=4), wrong, replace(right, replaces="r-1"), ended("r-2", 6)]
    for order in (facts, facts[::-1]):
        body = project([*order, reading(9, 60, 1005, count=9)])
        charges = [one for printer in body["printers"].values() for one in printer["charges"]]
        assert [(one["release"], one["owner"], one["charged"], one["verdict"]) for one in charges] == [
            ("r-2", "basil", 5, "agrees")
        ]
        assert [kinds(body, name) for name in body["printers"]] == [[] for _ in body["printers"]]


async def test_a_corrected_notice_replaces_one_at_another_printer(outside: Outside) -> None:
    corrected = start("library-ground", "r-2", replaces="r-1")
    assert await told(outside, "e-2", corrected) == []
    assert [where for where, _ in await told(outside, "e-1", start("basement"))] == ["data.printer"]

    async def only() -> bool | None:
        store = outside.app.store
        return True if await store.charges_of("r-2") and not await store.charges_of("r-1") else None

    assert await until(only, "the first release to be gone")
    refused = await outside.send(STARTED, "e-3", start("library-ground", "r-3", replaces="r-3"))
    assert (refused.status_code, refused.json()["where"]) == (422, "data.replaces")


def test_two_printers_with_one_name_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "pagereeve.toml"
    one = '[[printers]]\nname = "a"\nhost = "192.0.2.1"\nalso = ["b"]\n[[printers]]\nname = "b"\nhost = "192.0.2.2"\n'
    path.write_text(one)
    assert status_of(["check-config", str(path)]) == 2
    told = capsys.readouterr().err
    assert "[[printers]] 'a' (line 1), also: 'b' is a name of [[printers]] 'b' (line 5) already" in told
    path.write_text(one.replace('also = ["b"]', 'was = "c"') + 'also = ["c"]\n')
    assert status_of(["check-config", str(path)]) == 2
    assert "a name leads to one printer" in capsys.readouterr().err
