"""Clients that are not ours, at the running daemon: one generated from the OpenAPI document, and the API's own curl."""

from __future__ import annotations

import asyncio
import importlib
import os
import re
import sys
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any, Final

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.replay import replay_store
from pagereeve.domain.credentials.callers import Act
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.feeds.http.settings import CredentialSettings
from pagereeve.settings import HostPort, HttpSettings
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.credentials import token_of
from tests.histories import PRINTER, SIMPLE, started
from tests.integration.daemon import Outside, hasty_settings
from tests.integration.test_page_decisions import FACTS

ROOT: Final = Path(__file__).parents[2]
DOCUMENT: Final = ROOT / "contrib" / "openapi.json"
PAGE: Final = ROOT / "contrib" / "docs" / "api.md"
ACTS: Final[dict[str, frozenset[Act]]] = {
    "reports": frozenset({"read"}),
    "office": frozenset({"read", "names", "decide"}),
}
CURL: Final = re.compile(r"^    \$ (curl (?:.*\\\n)*.*)$", re.MULTILINE)


def generate(folder: Path) -> ModuleType:
    """Nothing of the document may be left out of the client."""
    (folder / "config.yml").write_text("post_hooks: []\n")
    words = ["generate", "--path", str(DOCUMENT), "--output-path", str(folder / "reeve_client")]
    words += ["--meta", "none", "--config", str(folder / "config.yml"), "--fail-on-warning"]
    generator = importlib.import_module("openapi_python_client.cli")
    with pytest.raises(SystemExit) as ended:
        generator.app(words)
    assert not ended.value.code, "the generator warned, or failed: its output says of what"
    return importlib.import_module("reeve_client")


@pytest.fixture
def client_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(tmp_path))
    for name in [name for name in sys.modules if name.partition(".")[0] == "reeve_client"]:
        monkeypatch.delitem(sys.modules, name)
    return generate(tmp_path)


@pytest.fixture
async def world(tmp_path: Path) -> AsyncIterator[Outside]:
    """A daemon with a release, stray pages, and r-1001 at a printer that nobody knows."""
    folder = tmp_path / "data"
    folder.mkdir(mode=0o700)
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        elsewhere = started("r-1001", 100, "basil", SIMPLE)
        assert isinstance(elsewhere, ReleaseStarted)
        for fact in (*FACTS, replace(elsewhere, printer="nowhere")):
            await journal.append(fact)
        await replay_store(journal, store=True)
    finally:
        await journal.close()
    given = []
    for name, acts in ACTS.items():
        file = tmp_path / f"{name}.token"
        file.write_text(token_of(name))
        given.append(CredentialSettings(name=name, acts=acts, token_file=file))
    http = HttpSettings(listen=HostPort("127.0.0.1", 0), credentials=tuple(given))
    async with App(hasty_settings(folder, (), http=http), first_reads_spread_s=0.0) as app, Outside(app) as outside:
        yield outside


def of(name: str) -> Any:
    return importlib.import_module(f"reeve_client.{name}")


async def test_clients_of_others_ask_and_decide(client_package: ModuleType, world: Outside, tmp_path: Path) -> None:
    """One daemon for both: its start, and its query process's, cost a second each."""
    await generated_client(client_package, world)
    await documented_curl(world, tmp_path)


async def generated_client(client_package: ModuleType, world: Outside) -> None:
    client = client_package.AuthenticatedClient(base_url=world.url, token=token_of("office"))
    async with client:
        releases = await of("api.releases.releases").asyncio(client=client)
        assert {one.release for one in releases.items} == {"r-1", "r-1001"}
        [release] = (await of("api.releases.release").asyncio("r-1", client=client)).items
        assert (release.printer, [one.charged for one in release.charges]) == (PRINTER, [5])
        totals = await of("api.accounts.totals").asyncio(client=client)
        assert totals.to_dict()["adds_up"] is True
        findings = await of("api.findings.findings").asyncio(client=client, kind="stray-pages")
        finding = findings.items[0].id

        models = of("models")
        said = models.Explain(action="explain", reason=models.ExplainReason("walk-up-copy"), text="at the desk")
        decide = of("api.decisions.decide_finding")
        decided = await decide.asyncio(finding, client=client, body=said, idempotency_key="case-1")
        assert (decided.finding, decided.state, decided.repeated) == (finding, "explained", False)
        again = await decide.asyncio(finding, client=client, body=said, idempotency_key="case-1")
        assert (again.decision, again.repeated) == ("case-1", True)
        shown = await of("api.findings.one_finding").asyncio(finding, client=client)
        assert shown.state == "explained"
        missing = await of("api.findings.one_finding").asyncio("f-none", client=client)
        assert (missing.status, missing.where) == (404, "finding")


async def documented_curl(world: Outside, tmp_path: Path) -> None:
    commands = CURL.findall(PAGE.read_text(encoding="utf-8"))
    assert len(commands) >= 2
    for command in commands:
        played = command.replace("http://127.0.0.1:8731", world.url).replace("curl ", "curl -sS --fail-with-body ", 1)
        running = await asyncio.create_subprocess_shell(
            played, cwd=tmp_path, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, env={**os.environ}
        )
        out, error = await asyncio.wait_for(running.communicate(), 30)
        assert running.returncode == 0, (command, out, error)
        assert out.startswith(b"{"), out
