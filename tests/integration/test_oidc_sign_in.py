"""Signing in at an OpenID provider at a running daemon: its page is made by the process that answers questions."""

from __future__ import annotations

import asyncio
import socket
from pathlib import Path

import httpx2

from pagereeve.app.clocks import SystemClock
from pagereeve.app.credential_changes import AtProvider, CredentialRequest, add_person
from pagereeve.app.daemon import App
from pagereeve.settings import HostPort, HttpSettings
from pagereeve.settings.console import ConsoleSettings
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration.daemon import Outside, hasty_settings
from tests.openid_provider import ANISE, CLIENT, SECRET, OpenIdProvider
from tests.signing_in import HTML


def free_port() -> int:
    """The address must be in the settings before the daemon listens."""
    with socket.create_server(("127.0.0.1", 0)) as one:
        return int(one.getsockname()[1])


async def with_mara(folder: Path, issuer: str) -> None:
    await (await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())).close()
    asked = CredentialRequest("mara", frozenset({"read"}))
    await asyncio.to_thread(add_person, folder / JOURNAL_NAME, asked, {}, AtProvider(issuer, ANISE))


async def test_a_person_signs_in_at_the_provider_and_a_stranger_reads_why_not(tmp_path: Path) -> None:
    secret, port = tmp_path / "oidc.secret", free_port()
    secret.write_text(SECRET)
    async with OpenIdProvider() as provider:
        await with_mara(tmp_path, provider.issuer)
        oidc = {
            "issuer": provider.issuer,
            "client_id": CLIENT,
            "client_secret_file": secret,
            "public_address": f"http://127.0.0.1:{port}",
        }
        settings = hasty_settings(
            tmp_path,
            (),
            http=HttpSettings(listen=HostPort("127.0.0.1", port)),
            console=ConsoleSettings.model_validate({"oidc": oidc}),
        )
        async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
            client = httpx2.AsyncClient(base_url=outside.url, headers=HTML, timeout=60.0, trust_env=False)

            async def signed_in() -> httpx2.Response:
                sent = await client.get("/sign-in/oidc?then=/now", headers={"sec-fetch-site": "same-origin"})
                return await client.get(provider.authorized(sent.headers["location"]))

            async with client:
                page = await client.get("/sign-in")
                assert f'href="http://127.0.0.1:{port}/sign-in/oidc?then=%2Fnow"' in page.text
                assert (await signed_in()).headers["location"] == "/now"
                assert "mara, names hidden" in (await client.get("/now")).text
                metrics = (await client.get("/metrics")).text
                assert 'pagereeve_sign_ins_total{by="oidc",outcome="signed-in"} 1.0' in metrics
                assert 'pagereeve_sign_ins_total{by="password",outcome="wrong"} 0.0' in metrics
                provider.subject = "somebody-else"
                refused = await signed_in()
                assert (refused.status_code, "--oidc somebody-else" in refused.text) == (403, True)
                lied = await client.get("/sign-in", headers={"pagereeve-stranger": "somebody-else"})
                assert "somebody-else" not in lied.text
