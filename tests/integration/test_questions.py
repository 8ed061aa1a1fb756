"""The running daemon's query process: what it answers, who asks, and what befalls it."""

from __future__ import annotations

import asyncio
import os
import re
import signal
from pathlib import Path
from typing import Any, Final

import httpx2
import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.questions import process
from pagereeve.domain.credentials.callers import Act
from pagereeve.domain.values.instants import SECOND_US, from_text, to_text
from pagereeve.feeds.http.settings import CredentialSettings
from pagereeve.settings import HostPort, HttpSettings, PrinterSettings, Settings
from tests.credentials import bearer, token_of
from tests.integration.daemon import Outside, hasty_settings, until

ACTS: Final[dict[str, frozenset[Act]]] = {
    "sends": frozenset({"send"}),
    "sees": frozenset({"read", "names"}),
    "reads": frozenset({"read"}),
}


def settings_of(folder: Path, http: HttpSettings | None = None) -> Settings:
    more = {} if http is None else {"http": http}
    return hasty_settings(folder, [PrinterSettings(name="hall", host="127.0.0.1", port=7)], **more)


def is_there(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


async def ends(pid: int) -> None:
    async def look() -> bool | None:
        return None if is_there(pid) else True

    await until(look, f"the end of process {pid}")


async def test_a_question_is_answered_by_a_process_of_its_own(tmp_path: Path) -> None:
    async with App(settings_of(tmp_path), first_reads_spread_s=60) as app, Outside(app) as outside:
        assert app.query_process.pid is None  # nobody asked yet
        assert (await outside.started("r1", "hall", 3)).status_code == 200

        async def asked() -> Any:
            items = (await outside.client.get(f"{outside.url}/v1/releases")).json()["items"]
            return items or None

        [item] = await until(asked, "the release")
        assert (item["release"], item["printer"], item["released"], item["verdict"]) == ("r1", "hall", 3, "open")
        assert item["person"] is None  # nobody showed a credential
        pid = app.query_process.pid
        assert pid is not None
        assert pid != os.getpid()

        url = f"{outside.url}/v1/releases?limit=1"
        answer = await outside.client.get(url)
        again = await outside.client.get(url, headers={"If-None-Match": answer.headers["etag"]})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", answer.headers["etag"])
        head = await outside.client.head(url)
        assert (head.status_code, head.content, head.headers["content-length"]) == (200, b"", str(len(answer.content)))

        file = await outside.client.get(f"{outside.url}/v1/exports/printer?format=json")
        assert file.headers["content-disposition"] == 'attachment; filename="pagereeve-printer-always.json"'
        assert (file.headers["content-type"], file.json()["adds_up"]) == ("application/json", True)

        # What only the daemon may say of the asker counts for nothing from outside.
        lied = await outside.client.get(
            f"{outside.url}/v1/releases?person=u-1", headers={"pagereeve-acts": "read names", "pagereeve-asker": "x"}
        )
        assert (lied.status_code, lied.json()["cause"]) == (403, "names")
        nothing = await outside.client.get(f"{outside.url}/v1/nothing")
        assert (nothing.status_code, nothing.headers["content-type"]) == (404, "application/problem+json")
        refused = await outside.client.request("DELETE", f"{outside.url}/v1/releases")
        assert (refused.status_code, refused.headers["allow"]) == (405, "GET")
        document = (await outside.client.get(f"{outside.url}/v1/openapi.json")).json()
        assert document["openapi"].startswith("3.1")
    await ends(pid)


async def test_whose_releases_they_were_is_shown_to_who_may_see_names(tmp_path: Path) -> None:
    given = []
    for name, acts in ACTS.items():
        file = tmp_path / name
        file.write_text(token_of(name))
        given.append(CredentialSettings(name=name, acts=acts, token_file=file))
    http = HttpSettings(listen=HostPort("127.0.0.1", 0), credentials=tuple(given))
    settings = settings_of(tmp_path / "data", http)
    async with App(settings, first_reads_spread_s=60) as app, Outside(app) as outside:
        outside.client.headers["Authorization"] = bearer("sends")
        assert (await outside.started("r1", "hall", 3)).status_code == 200
        del outside.client.headers["Authorization"]

        async def asked(name: str) -> Any:
            answer = await outside.client.get(f"{outside.url}/v1/releases", headers={"Authorization": bearer(name)})
            return answer.json()["items"] or None

        [shown] = await until(lambda: asked("sees"), "the release")
        [hidden] = await until(lambda: asked("reads"), "the release")
        assert shown["person"]
        assert hidden == {**shown, "person": None}
        assert (await outside.client.get(f"{outside.url}/v1/releases")).status_code == 401


async def test_one_that_is_killed_is_started_again_and_costs_the_daemon_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(process, "RESTART_S", 0.2)
    async with App(settings_of(tmp_path), first_reads_spread_s=60) as app, Outside(app) as outside:
        url = f"{outside.url}/v1/releases"
        assert (await outside.client.get(url)).status_code == 200
        first = app.query_process.pid
        assert first is not None
        os.kill(first, signal.SIGKILL)
        await ends(first)

        async def answered() -> bool | None:
            answer = await outside.client.get(url)
            if answer.status_code == 503:
                assert answer.headers["retry-after"]
                return None
            return answer.status_code == 200 or None

        assert await until(answered, "an answer of the next one")
        second = app.query_process.pid
        assert second not in {None, first}
        assert (await outside.started("r2", "hall", 1)).status_code == 200
        # Other settings: the next question is another process's.
        app.query_process.renew()
        assert await until(answered, "an answer by other settings")
        assert app.query_process.pid not in {None, second}


async def test_it_ends_with_its_daemon_even_where_that_is_killed(tmp_path: Path) -> None:
    """Its standard input is the daemon's to hold."""
    async with App(settings_of(tmp_path), first_reads_spread_s=60) as app, Outside(app) as outside:
        assert (await outside.client.get(f"{outside.url}/v1/releases")).status_code == 200
        running = app.query_process._process
        assert running is not None
        assert running.stdin is not None
        running.stdin.close()  # as the system does it for a process that is killed
        await ends(running.pid)
        await asyncio.wait_for(running.wait(), 5)
        assert running.returncode == 0


async def test_changes_are_followed_through_the_daemon(tmp_path: Path) -> None:
    async with App(settings_of(tmp_path), first_reads_spread_s=60) as app, Outside(app) as outside:
        url = f"{outside.url}/v1/changes?after=0&printer=hall"
        async with outside.client.stream("GET", url) as stream:
            assert stream.headers["content-type"].startswith("text/event-stream")
            lines = stream.aiter_lines()
            told: list[str] = []

            async def reads_until(text: str) -> None:
                async for line in lines:
                    told.append(line)
                    if text in line:
                        return

            await asyncio.wait_for(reads_until("event: begin"), 10)
            assert (await outside.started("r9", "hall", 1)).status_code == 200
            await asyncio.wait_for(reads_until('"release": "r9"'), 10)
        # Who hangs up is gone at once, and holds nothing open.
        assert (await outside.client.get(f"{outside.url}/v1/releases")).status_code == 200


class _Ahead(SystemClock):
    """The site's dates are two days ahead of the machine's wall clock, which the query process could read."""

    def now_us(self) -> int:
        return super().now_us() + 2 * 86_400 * SECOND_US


async def test_pages_and_the_api_go_by_the_clock_that_dates_facts(tmp_path: Path) -> None:
    settings = settings_of(tmp_path)
    async with App(settings, clock=_Ahead(), first_reads_spread_s=60) as app, Outside(app) as outside:
        outside.client.timeout = httpx2.Timeout(60)  # the query process starts behind all others
        page = (await outside.client.get(f"{outside.url}/printers")).text
        shown = re.search(r'As of <time datetime="([^"]+)"', page)
        assert shown is not None
        assert abs(from_text(shown[1]) - app.clock.now_us()) < 60 * SECOND_US

        today = to_text(SystemClock().now_us())[:10]
        lied = {"pagereeve-clock": "0"}  # from outside it counts for nothing
        answer = (await outside.client.get(f"{outside.url}/v1/periods/{today}", headers=lied)).json()
        assert (answer["state"], answer["trouble"]) == ("closable", None)
