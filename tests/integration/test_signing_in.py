"""Signing in at a running daemon: with TLS and without, its pages made by the process that answers questions."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import httpx2
from cryptography import x509

from pagereeve.app.clocks import SystemClock
from pagereeve.app.credential_changes import revoke_credential
from pagereeve.app.daemon import App
from pagereeve.domain.facts.names_shown import NamesShown
from pagereeve.ports.credentials import StoredCredential
from pagereeve.settings import HostPort, HttpSettings, Settings
from pagereeve.store.sql.credentials import add_credential
from pagereeve.store.sqlite.credential_changes import changes
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration.certificates import Authority
from tests.integration.daemon import Outside, hasty_settings, until
from tests.signing_in import PASSWORD, Browser, account


def settings_of(folder: Path, **more: Any) -> Settings:
    return hasty_settings(folder, (), http=HttpSettings(listen=HostPort("127.0.0.1", 0), **more))


async def with_account(folder: Path) -> None:
    """As ``pagereeve credentials add`` makes one, at a lower cost."""
    folder.mkdir(exist_ok=True)  # noqa: ASYNC240 - nobody waits
    await (await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())).close()
    with changes(folder / JOURNAL_NAME) as connection:
        add_credential(connection, StoredCredential(account("mara", "read", "names"), 0))


def all_bytes(folder: Path) -> bytes:
    return b"".join(one.read_bytes() for one in folder.iterdir() if one.is_file())


async def test_a_person_signs_in_has_names_shown_and_is_revoked(tmp_path: Path) -> None:
    journal = tmp_path / JOURNAL_NAME
    await with_account(tmp_path)
    async with App(settings_of(tmp_path), first_reads_spread_s=0.0) as app, Outside(app) as outside:
        outside.client.timeout = httpx2.Timeout(60.0)  # its process is at the end of the line on a busy machine
        browser = Browser(outside.client, outside.url)
        led = await browser.get("/")
        assert (led.status_code, led.headers["location"]) == (303, "/sign-in?then=%2F")
        form = await browser.get(led.headers["location"])
        assert (form.status_code, "Who are you?" in form.text) == (200, True)
        assert form.headers["content-security-policy"].startswith("default-src 'none'")
        signed = await browser.sign_in("mara")
        assert signed.headers["location"] == "/now"
        assert "mara, names hidden" in (await browser.get("/now")).text
        assert (await browser.get("/v1/releases?person=u")).status_code == 403
        # What only the daemon may say of a session counts for nothing from outside.
        lied = await browser.get("/now", pagereeve_session="x 0 1 9999999999999999", pagereeve_acts="read names")
        assert "names hidden" in lied.text
        token = await browser.form_token()
        assert (await browser.post("/names", {"csrf": token})).status_code == 303
        [shown] = [one.fact async for one in app.store.facts("") if isinstance(one.fact, NamesShown)]
        assert (shown.by, shown.until_us - shown.at_us) == ("mara", 600_000_000)
        assert "names shown until" in (await browser.get("/now")).text
        assert (await browser.get("/v1/releases?person=u")).status_code == 200

        await asyncio.to_thread(revoke_credential, journal, "mara", {})

        async def out() -> bool | None:
            return (await browser.get("/now")).status_code == 303 or None

        await until(out, "the end of the session")
        on_disk = await asyncio.to_thread(all_bytes, tmp_path)
        secrets = (PASSWORD, token, browser.cookie.partition("=")[2])
        assert not [one for one in secrets if one.encode() in on_disk]


async def test_with_tls_the_cookie_never_leaves_it(tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    server = authority.issue("localhost", x509.DNSName("localhost"))
    data = tmp_path / "data"
    await with_account(data)
    settings = settings_of(data, certificate_file=server.certificate, key_file=server.key)
    async with App(settings, first_reads_spread_s=0.0) as app:
        origin = f"https://localhost:{app.http_address[1]}"
        async with httpx2.AsyncClient(verify=authority.own.client(), timeout=15.0) as client:
            browser = Browser(client, origin)
            signed = await browser.sign_in("mara")
            assert signed.headers["set-cookie"].startswith("__Host-pagereeve-session=")
            assert signed.headers["set-cookie"].endswith("; HttpOnly; SameSite=Lax; Secure")
            plain = await browser.post("/sign-out", {}, origin=origin.replace("https", "http"))
            assert (plain.status_code, plain.json()["where"]) == (403, "Origin")
