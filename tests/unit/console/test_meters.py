"""``/v1/printers`` and ``/v1/gateways``: one printer, or the whole gateway?"""

from __future__ import annotations

from dataclasses import replace

import httpx2
import pytest

from pagereeve.console.api.site import AskedGateway, AskedPrinter, AskedSite
from pagereeve.domain.facts.facts import PolicySet, PrinterNoted, ReleaseStarted
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import Evidence, EvidenceKind, Finding, RowSegment
from pagereeve.domain.values.instants import to_text
from pagereeve.settings import PrinterSettings, Settings
from pagereeve.settings.registry import GatewaySettings
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import asking
from tests.findings import said
from tests.journal_samples import NOON_US, SECOND_US, badge, failed, origin, read, started
from tests.unit.domain.accounts.test_edges import charge

NAMES = ("attic", "cellar", "hall", "yard")
SITE = AskedSite(
    printers=(
        AskedPrinter(name="hall", gateway="g-1", host="192.0.2.1", port=161, site="east"),
        AskedPrinter(name="attic", gateway="g-1", host="192.0.2.1", port=162, site="west"),
        AskedPrinter(name="cellar", gateway="g-1", host="192.0.2.1", port=163, site="west"),
        AskedPrinter(name="yard", host="192.0.2.9", port=161),
    ),
    gateways=(AskedGateway(name="g-2", host="192.0.2.7"), AskedGateway(name="g-1", host="192.0.2.1", checked=True)),
)


def finding(name: str, kind: str, printer: str, what: Evidence) -> Finding:
    return Finding(name, kind, "warning", printer, NOON_US, None, "open", what)


@pytest.fixture
async def journal() -> MemoryJournal:
    """The hall answers, attic and cellar are silent, nobody ever read the yard's meter."""
    held = MemoryJournal()
    await held.observe("hall", [], read(7, "hall"))
    await held.observe("attic", [read(5, "attic")], failed("attic", at_us=NOON_US + 60 * SECOND_US))
    await held.observe("cellar", [], failed("cellar"))
    silent = finding("f-1", "meter-silent", "attic", said("silent"))
    waiting = replace(charge(NOON_US, None), printer="attic")
    await held.replace("attic", None, [RowSegment("attic", 1, None, charges=(waiting,), findings=(silent,))])
    down = finding("f-2", "gateway-down", "", Evidence(EvidenceKind.GATEWAY_DOWN, (("gateway", "g-1"),)))
    await held.replace("", None, [RowSegment("", 1, None, findings=(down,))])
    await held.append(PolicySet("attic", NOON_US, Policy(settle_us=7 * SECOND_US)))
    await held.append(PrinterNoted("attic", origin("n-1", NOON_US + 5 * SECOND_US), "proven"))
    await held.append(replace(badge("b-1", "hall", at_us=NOON_US + 10 * SECOND_US), gateway="g-1"))
    notice = started("s-1", "hall", at_us=NOON_US + 20 * SECOND_US)
    assert isinstance(notice, ReleaseStarted)
    await held.append(notice)
    return held


async def names(client: httpx2.AsyncClient, url: str, member: str) -> list[str]:
    found: list[str] = []
    while url:
        answer = (await client.get(url)).json()
        found += [one[member] for one in answer["items"]]
        url = answer["next"] or ""
    return found


async def test_printers_are_paged_by_name_and_filtered(journal: MemoryJournal) -> None:
    async with asking(journal, site=SITE) as client:
        for limit in (1, 2, 4, 100):
            assert await names(client, f"/v1/printers?limit={limit}", "printer") == list(NAMES)
            assert await names(client, f"/v1/gateways?limit={limit}", "gateway") == ["g-1", "g-2"]
        assert await names(client, "/v1/printers?gateway=g-1&site=west", "printer") == ["attic", "cellar"]
        assert await names(client, "/v1/printers?gateway=", "printer") == ["yard"]
        [*shown] = (await client.get("/v1/printers")).json()["items"]
        assert [one["standing"] for one in shown] == ["silent", "silent", "answers", "never-read"]
        assert [one["open_findings"]["warning"] for one in shown] == [1, 0, 0, 0]
        assert shown[2]["last_good"]["counts"] == [
            {"channel": "total", "count": 7, "unit": "impressions", "known": "said"}
        ]
        assert (shown[1]["last_good"], shown[1]["silent"]["since"], shown[1]["silent"]["reason"]) == (
            *(None, None),
            "timeout",
        )


async def test_one_printer_is_told_with_what_waits_and_when_it_was_proven(journal: MemoryJournal) -> None:
    async with asking(journal, site=SITE) as client:
        attic = (await client.get("/v1/printers/attic")).json()
        [listed, *_] = (await client.get("/v1/printers")).json()["items"]
        assert listed.items() <= attic.items()
        assert attic["last_good"]["counts"][0]["count"] == 5
        assert attic["silent"]["since"] == attic["last_good"]["at"]
        assert attic["silent"]["failing_since"] == to_text(NOON_US + 60 * SECOND_US)
        assert attic["open_releases"] == [{"source": "/server", "release": "r"}]
        assert (attic["settle_s"], attic["settle_learned"]) == (7.0, None)
        assert attic["last_proof"] == to_text(NOON_US + 5 * SECOND_US)
        assert (attic["identity"]["serial"], attic["port"]) == ("serial-1", 162)
        yard = (await client.get("/v1/printers/yard")).json()
        assert (yard["standing"], yard["identity"], yard["open_releases"]) == ("never-read", None, [])
    async with asking(journal) as client:  # no settings name it any more
        assert (await client.get("/v1/printers/attic")).json()["registered"] is False
        assert (await client.get("/v1/printers/yard")).status_code == 404


async def test_figures_say_whether_it_is_one_printer_or_the_gateway(journal: MemoryJournal) -> None:
    async with asking(journal, site=SITE) as client:
        first, second = (await client.get("/v1/gateways")).json()["items"]
        assert (first["standing"], first["down_since"]) == ("down", to_text(NOON_US))
        assert (first["printers"], first["answering"], first["silent"], first["never_read"]) == (3, 1, 2, 0)
        assert (second["standing"], second["down_since"], second["printers"]) == ("not-checked", None, 0)
        one = (await client.get("/v1/gateways/g-1")).json()
        assert first.items() <= one.items()
        assert [(behind["printer"], behind["standing"]) for behind in one["behind"]] == [
            ("attic", "silent"),
            ("cellar", "silent"),
            ("hall", "answers"),
        ]
        assert one["last_badge"] == to_text(NOON_US + 10 * SECOND_US)
        assert one["last_notice"] == to_text(NOON_US + 20 * SECOND_US)
        other = (await client.get("/v1/gateways/g-2")).json()
        assert (other["last_badge"], other["last_notice"], other["behind"]) == (None, None, [])
        assert (await client.get("/v1/gateways/g-3")).status_code == 404
        assert (await client.get("/v1/gateways?printer=hall")).json()["where"] == "printer"


def test_settings_say_which_gateways_are_checked() -> None:
    gateways = ({"name": "g-1", "check": "192.0.2.1:22"}, {"name": "g-2"})
    printer = PrinterSettings(name="hall", host="192.0.2.1", gateway="g-1")
    made = Settings(gateways=tuple(map(GatewaySettings.model_validate, gateways)), printers=(printer,))
    assert [one.checked for one in AskedSite.of(made).gateways] == [True, False]
