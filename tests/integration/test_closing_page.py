"""A period is closed from its page at a running daemon, by a process of its own: notices are answered meanwhile."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path
from typing import Final
from urllib.parse import parse_qs, urlsplit

import httpx2

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.ports.credentials import StoredCredential
from pagereeve.store.sql.credentials import add_credential
from pagereeve.store.sqlite.credential_changes import changes
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.credentials import bearer
from tests.integration.daemon import Outside, hasty_settings, until
from tests.integration.test_deciding import credentials_in
from tests.integration.test_page_decisions import FACTS
from tests.signing_in import Browser, account

MONTH: Final = "2020-01"
PAGE: Final = f"/accounts/{MONTH}/closing"


async def data_folder(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    for fact in FACTS:
        await journal.append(fact)
    await journal.close()
    with changes(folder / JOURNAL_NAME) as connection:
        add_credential(connection, StoredCredential(account("mara", "read", "names", "decide"), 0))
    return folder


async def notices(outside: Outside) -> list[bool]:
    """One after the other; of each whether a period was being closed when it was answered."""
    answered = list[bool]()
    while outside.app.closings.state is not None or not answered:
        release = f"n-{len(answered)}"
        answer = await outside.started(release, "nowhere", 1, Prefer="wait=5", Authorization=bearer("sends"))
        assert answer.status_code in {200, 201, 202}, answer.text
        answered.append(outside.app.closings.state is not None)
    return answered


async def test_a_period_is_closed_from_its_page_while_notices_are_answered(tmp_path: Path) -> None:
    folder = await data_folder(tmp_path)
    settings = hasty_settings(folder, (), http=credentials_in(tmp_path, sends="send"))
    async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
        outside.client.timeout = httpx2.Timeout(120.0)  # its processes are at the end of the line
        browser = Browser(outside.client, outside.url)
        await browser.sign_in("mara")
        form = (await browser.get(PAGE)).text
        assert "Yes: nothing stands in the way." in form
        token, key = (re.findall(rf'name="{name}" value="([^"]+)"', form)[-1] for name in ("csrf", "key"))
        fields = {"csrf": token, "key": key, "period": MONTH}
        stray = await browser.post(f"/accounts/{MONTH}/close", {**fields, "period": ""})
        assert stray.headers["location"] == f"{PAGE}?came=not-named"
        assert (await browser.post(f"/accounts/{MONTH}/close", {**fields, "csrf": "x"})).status_code == 403

        sent = asyncio.create_task(browser.post(f"/accounts/{MONTH}/close", fields))
        await asyncio.sleep(0.05)
        under_way = await notices(outside)
        assert sum(under_way) > 3
        location = urlsplit((await sent).headers["location"])
        assert (location.path, parse_qs(location.query)["came"][0] in {"closing", "period-closed"}) == (PAGE, True)

        async def closed() -> bool | None:
            return "It is closed, since" in (await browser.get(PAGE)).text or None

        await until(closed, "the closed period")
        [known] = await app.store.closed_periods()
        assert (known.name, known.closing.by) == (MONTH, "mara")
        again = await outside.client.post(
            f"{outside.url}/v1/periods/{MONTH}/close", json={}, headers={"Authorization": bearer("sees")}
        )
        assert (again.status_code, again.json()["repeated"]) == (200, True)
        assert again.json()["closed"]["sha256"] == known.sha256
