"""What a site's server may do at the centre's, by the permissions of contrib/docs/sites.md; and what a daemon shows a
server: an nkey, a file of credentials, TLS.
"""

from __future__ import annotations

import asyncio
import socket
import sys
import time
from pathlib import Path
from typing import Any

import nats.errors
import nkeys
import pytest
from nats.aio.msg import Msg

from pagereeve.app.forwarding import _site_broker
from pagereeve.ports.broker import BrokerTrouble
from pagereeve.ports.broker_settings import PublishSettings
from pagereeve.ports.secrets import NoSecret
from pagereeve.ports.setting_types import Duration
from pagereeve.receivers.broker.site import make_site
from tests.integration.brokers import PASSWORD, Server, brokers, leaf_permissions, user, users
from tests.integration.certificates import self_made

ROOT = Path(__file__).parents[2]


async def test_a_sites_server_reaches_only_what_is_its_own(tmp_path: Path) -> None:
    async with brokers(tmp_path) as both, both.hub.asked("centre") as centre, both.leaf.asked("site") as site:
        came: list[str] = []

        async def hear(message: Msg) -> None:
            # The servers themselves answer one another there, too.
            if message.data == b"forged":
                came.append(message.subject)

        await centre._nc.subscribe("pagereeve.>", cb=hear)
        await centre._nc.flush()
        await asyncio.sleep(0.5)
        for subject in (
            "facts.north",
            "heads.annex",
            "heads.north",
            "deliver.north.x",
            "answer.north.x",
            "deliver.annex.x",
        ):
            await site._nc.publish(f"pagereeve.{subject}", b"forged")
        await site._nc.flush()
        for _ in range(50):
            if came:
                break
            await asyncio.sleep(0.1)
        await asyncio.sleep(0.5)
        assert came == ["pagereeve.deliver.annex.x"]
        for asked in ("STREAM.PURGE.pagereeve-facts-annex", "STREAM.DELETE.pagereeve-heads-annex", "STREAM.LIST"):
            with pytest.raises((nats.errors.TimeoutError, nats.errors.NoRespondersError)):
                await site._nc.request(f"$JS.centre.API.{asked}", b"", timeout=1)
        assert (await centre.stream_info("pagereeve-heads-annex")).state.messages == 0


def test_the_document_has_these_permissions() -> None:
    text = (ROOT / "contrib" / "docs" / "sites.md").read_text()
    tested = {one for one in leaf_permissions("annex").split('"') if "." in one}
    assert tested
    assert not [one for one in tested if f'"{one}"' not in text]


NKEY_MADE = nkeys.encode_seed(bytes(range(32)), nkeys.PREFIX_BYTE_USER)


def server(folder: Path, more: str) -> Server:
    return Server(folder / "server", "annex", more)


def settings(folder: Path, one: Server, **more: Any) -> PublishSettings:
    return PublishSettings(
        name="centre", url=f"{more.pop('scheme', 'nats')}://127.0.0.1:{one.port}", site="annex", **more
    )


async def what_is_kept(given: PublishSettings) -> str:
    """Why the server does not answer, "" where it does: that it has no such stream."""
    site = make_site(given)
    try:
        await site.latest()
    except BrokerTrouble as error:
        return "" if "stream not found" in error.problem else f"{error.trouble}: {error.problem}"
    finally:
        await site.close()
    raise AssertionError("nobody made a stream")


@pytest.mark.parametrize("right", [True, False])
async def test_an_nkey_is_shown(tmp_path: Path, right: bool) -> None:
    pair = nkeys.from_seed(bytearray(NKEY_MADE))
    seed = NKEY_MADE if right else nkeys.encode_seed(bytes(range(1, 33)), nkeys.PREFIX_BYTE_USER)
    file = tmp_path / "seed"
    file.write_bytes(bytes(seed) + b"\n")
    one = server(tmp_path, users(f"{{ nkey: {pair.public_key.decode()} }}"))
    one.start()
    try:
        said = await what_is_kept(settings(tmp_path, one, nkey_file=file))
        assert said == "" if right else said.startswith("not-allowed")
    finally:
        one.stop()


async def test_over_tls_the_certificate_is_checked(tmp_path: Path) -> None:
    known, other = tmp_path / "known", tmp_path / "other"
    known.mkdir()
    other.mkdir()
    certificate = self_made(known)
    tls = f'tls {{ cert_file: "{certificate.certificate}", key_file: "{certificate.key}" }}\n'
    one = server(tmp_path, tls + users(user("site")))
    one.start()
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD)
    shown = {"scheme": "tls", "user": "site", "password_file": secret}
    try:
        assert await what_is_kept(settings(tmp_path, one, ca_file=certificate.certificate, **shown)) == ""
        for trusted in (self_made(other).certificate, None):
            said = await what_is_kept(settings(tmp_path, one, ca_file=trusted, **shown))
            assert said.startswith("unreachable")
            assert "certificate" in said.lower()
    finally:
        one.stop()


async def test_a_server_that_says_nothing_is_not_waited_for_for_ever(tmp_path: Path) -> None:
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        url = f"nats://127.0.0.1:{silent.getsockname()[1]}"
        given = PublishSettings(name="centre", url=url, site="annex", timeout=Duration.of("1s"))
        began_s = time.monotonic()
        assert (await what_is_kept(given)).startswith("unreachable")
        assert time.monotonic() - began_s < 15


@pytest.mark.parametrize("name", ["nkey_file", "creds_file"])
def test_a_secret_that_is_none_is_named_by_its_file_and_not_shown(tmp_path: Path, name: str) -> None:
    file = tmp_path / "secret"
    file.write_text("SUAN-of-no-meaning")
    shown: dict[str, Any] = {name: file}
    given = PublishSettings(name="centre", url="nats://127.0.0.1:1", site="annex", **shown)
    with pytest.raises(NoSecret, match=str(file)) as caught:
        make_site(given)
    assert "SUAN" not in str(caught.value)


def test_without_the_extra_the_start_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pagereeve.receivers.broker.site", None)
    given = PublishSettings(name="centre", url="nats://127.0.0.1:1", site="annex")
    with pytest.raises(NoSecret, match=r"pagereeve\[nats\]"):
        _site_broker(given)
