"""SIGHUP to a running daemon: what can change is in force from then on, or nothing is."""

from __future__ import annotations

import asyncio
import hmac
import ssl
import threading
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import httpx2
import pytest
from cryptography import x509

from pagereeve.app import daemon
from pagereeve.app.credential_changes import ByProxy, CredentialRequest, add_person
from pagereeve.app.settings_trace import note_settings, waiting_settings
from pagereeve.domain.facts.facts import Assigned, BadgePresented, Bound, PolicySet, Registered
from pagereeve.domain.facts.policy import TicketDefault
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.settings import Settings, load_settings
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.integration.certificates import Authority, self_made
from tests.integration.daemon import until
from tests.integration.reloading import LEDGER_S, Site, hung_up, running, site_in
from tests.integration.webserver import Request, web_server
from tests.telemetry_stub import GOES


@pytest.fixture
async def site(tmp_path: Path) -> AsyncIterator[Site]:
    async with site_in(tmp_path) as one:
        yield one


def clash(site: Site) -> None:
    """One badge of two owners, whose names are nobody else's business."""
    site.file("badges.csv", "badge,owner,from\n04A32B1C99,user-anise,\n04A32B1C99,user-basil,\n")
    site.more = '[badges]\ndirectory = "badges.csv"\n'


def answers(site: Site, name: str) -> int:
    return site.fleet.printers[name].answers


async def more_answers(site: Site, name: str) -> None:
    begun = answers(site, name)

    async def look() -> bool | None:
        return answers(site, name) > begun + 1 or None

    await until(look, f"reads of {name}")


async def test_a_printer_that_is_added_is_read_within_seconds_and_one_removed_no_more(site: Site) -> None:
    async with running(site) as (app, outside):
        await outside.first_reading("fleet-0002")
        assert answers(site, "fleet-0003") == 0
        site.has("fleet-0003", 'gateway = "gw"')
        del site.printers["fleet-0002"]
        site.more = '[[gateways]]\nname = "gw"\n'
        site.write()
        await hung_up(app)
        async with asyncio.timeout(LEDGER_S):
            await outside.first_reading("fleet-0003")
        await more_answers(site, "fleet-0001")
        left = answers(site, "fleet-0002")
        await more_answers(site, "fleet-0003")
        await more_answers(site, "fleet-0001")
        assert answers(site, "fleet-0002") == left
        assert sorted(app.registry.watchers) == ["fleet-0001", "fleet-0003"]
        assert app.registry.behind("gw") == ["fleet-0003"]
        places = [one.fact for one in await app.store.standing_facts("") if isinstance(one.fact, Registered)]
        assert [(one.name, one.gateway) for one in places if one.name == "fleet-0003"] == [("fleet-0003", "gw")]
        text = await outside.metrics()
        assert 'pagereeve_meter_up{printer="fleet-0002"' not in text
        assert 'pagereeve_reload_attempts_total{outcome="applied"} 1.0' in text
        assert "pagereeve_reload_ok 1.0" in text
        assert app.supervisor.trouble() == ""
        assert sum(app.supervisor.ends.values()) == 0


async def test_a_release_under_way_is_counted_across_reloads(site: Site) -> None:
    """The printer's target and policy change in the middle of it: one window, one count, nothing lost."""
    async with running(site) as (app, outside):
        await outside.first_reading("fleet-0001")
        assert (await outside.started("r-1", "fleet-0001", 3)).status_code == 200
        site.has("fleet-0001", 'policy = { tolerance_pages = 1 }\nserial = "FL-000001"')
        site.write()
        await hung_up(app)
        site.fleet.printers["fleet-0001"].mark(3)
        await hung_up(app)
        assert (await outside.ended("r-1")).status_code == 200
        charge = await outside.closed_charge("r-1")
        assert (charge.counted, charge.charged) == (3, 3)


async def test_events_for_a_printer_that_comes_and_goes_are_never_without_an_owner(site: Site) -> None:
    """Notices come all the time while the printer is added and removed again and again."""
    async with running(site) as (app, outside):
        await outside.first_reading("fleet-0001")
        sent: list[int] = []

        async def send() -> None:
            for number in range(60):
                answer = await outside.started(f"r-{number}", "fleet-0003", 1)
                sent.append(answer.status_code)
                await asyncio.sleep(0.02)

        sending = asyncio.create_task(send())
        for turn in range(6):
            if turn % 2:
                del site.printers["fleet-0003"]
            else:
                site.has("fleet-0003")
            site.write()
            await hung_up(app)
        await sending
        assert sent == [200] * 60

        async def look() -> bool | None:
            watcher = app.registry.watchers.get("fleet-0003")
            is_projected = watcher is not None and watcher.projector is not None and not watcher.updater.dirty
            stored = [one.fact async for one in app.store.facts("fleet-0003")]
            return (is_projected and len([one for one in stored if hasattr(one, "release")]) == 60) or None

        await until(look, "all notices with the printer's owner")
        assert app.supervisor.trouble() == ""


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda site: site.config.write_text("this is no TOML"), "is no TOML"),
        (lambda site: site.config.unlink(), "can't be read"),
        (lambda site: setattr(site, "port", 1), "http.listen: can't change while the daemon runs"),
        (lambda site: setattr(site, "more", '[limits]\nstop_within = "7s"\n'), "limits.stop_within: can't change"),
        (lambda site: setattr(site, "more", '[badges]\ndirectory = "nowhere.csv"\n'), "nowhere.csv"),
        (clash, "badges.csv has errors; pagereeve check-config lists them"),
        (lambda site: setattr(site, "http", 'token_files = ["nowhere"]'), "http.token_files, 'nowhere'"),
        (lambda site: site.has("fleet-0003", 'profile = "nowhere"'), "no profile is called nowhere"),
        (
            lambda site: setattr(
                site, "more", '[[alerts.webhooks]]\nname = "desk"\nurl = "http://127.0.0.1:9/"\nsecret_file = "gone"\n'
            ),
            "receiver desk",
        ),
    ],
)
async def test_a_bad_file_changes_nothing_and_is_shown(site: Site, spoil: Callable[[Site], Any], why: str) -> None:
    async with running(site) as (app, outside):
        await outside.first_reading("fleet-0001")
        before = app.settings
        site.has("fleet-0003")
        del site.printers["fleet-0002"]
        site.write()
        good = site.config.read_text()
        spoil(site)
        if site.config.exists() and site.config.read_text() == good:
            site.write()
        await hung_up(app, "refused")
        assert app.settings is before
        assert sorted(app.registry.watchers) == ["fleet-0001", "fleet-0002"]
        await more_answers(site, "fleet-0002")
        assert answers(site, "fleet-0003") == 0
        ready = await outside.client.get(f"{outside.url}/readyz")
        assert ready.status_code == 200
        assert why in ready.json()["notices"]["reload"]
        assert "user-" not in ready.text
        text = await outside.metrics()
        assert "pagereeve_reload_ok 0.0" in text
        assert 'pagereeve_reload_attempts_total{outcome="refused"} 1.0' in text
        site.config.write_text(good)
        await hung_up(app)
        assert sorted(app.registry.watchers) == ["fleet-0001", "fleet-0003"]
        ready = await outside.client.get(f"{outside.url}/readyz")
        assert ready.json() == {"ready": True, "not_ready": {}, "clock": GOES}


async def test_a_token_is_rotated(site: Site) -> None:
    token = site.file("token", "the-first-invented-token")
    site.http = f'token_files = ["{token}"]'
    site.write()
    async with running(site) as (app, outside):

        async def status(name: str, used: str) -> int:
            data = {"badge": "04A32B1C99", "gateway": "gw"}
            answer = await outside.send("pagereeve.badge.presented.v1", name, data, Authorization=f"Bearer {used}")
            return answer.status_code

        assert await status("e-1", "the-first-invented-token") == 200
        token.write_text("the-second-invented-token")
        assert await status("e-2", "the-second-invented-token") == 401
        await hung_up(app)
        assert await status("e-3", "the-second-invented-token") == 200
        assert await status("e-4", "the-first-invented-token") == 401


async def test_a_proxy_that_says_who_signed_in_comes_and_goes(site: Site) -> None:
    juno = CredentialRequest("juno", frozenset({"read"}))
    await asyncio.to_thread(add_person, site.folder / "data" / JOURNAL_NAME, juno, {}, ByProxy())
    async with running(site) as (app, outside):

        async def status() -> int:
            answer = await outside.client.get(f"{outside.url}/metrics", headers={"X-Remote-User": "juno"})
            return answer.status_code

        assert await status() == 401
        site.more = '[console]\ntrusted_user_header = "X-Remote-User"\ntrusted_proxies = ["127.0.0.1"]\n'
        site.write()
        await hung_up(app)
        assert await status() == 200
        site.more = site.more.replace("127.0.0.1", "192.0.2.7")
        site.write()
        await hung_up(app)
        assert await status() == 401


async def test_a_certificate_is_renewed_and_a_client_and_a_user_lose_what_they_had(site: Site) -> None:
    authority = Authority(site.folder)
    client = authority.issue("release-server")
    authority.issue("pages", x509.DNSName("localhost"))
    files = 'certificate_file = "pages.pem"\nkey_file = "pages.key"\nclient_ca_file = "server.pem"\n'
    row = '[[http.clients]]\nname = "release-server"\nacts = ["send"]\n'
    user = "[local]\nusers = {{ user-anise = {acts} }}\n"
    site.http = files + row + user.format(acts='["decide"]')
    site.write()
    trusting = ssl.create_default_context(cafile=authority.own.certificate)
    trusting.load_cert_chain(client.certificate, client.key)
    async with running(site) as (app, outside), httpx2.AsyncClient(verify=trusting) as secured:

        async def status(name: str) -> int:
            event = outside.event("pagereeve.badge.presented.v1", name, {"badge": "04A32B1C99", "gateway": "gw"})
            headers = {"content-type": "application/cloudevents+json"}
            url = f"https://localhost:{site.port}/v1/events"
            return (await secured.post(url, json=event, headers=headers)).status_code

        async def serial() -> int:
            _, writer = await asyncio.open_connection("localhost", site.port, ssl=trusting)
            shown = writer.get_extra_info("ssl_object").getpeercert(binary_form=True)
            writer.transport.abort()
            return x509.load_der_x509_certificate(shown).serial_number

        assert await status("e-1") == 200
        first = await serial()
        authority.issue("pages", x509.DNSName("localhost"))
        site.http = files + row + user.format(acts="[]")
        site.write()
        await hung_up(app)
        assert await serial() != first
        assert app.local_callers._settings.users == {"user-anise": ()}
        site.http = files + row.replace("send", "note")
        site.write()
        await hung_up(app)
        assert await status("e-2") == 403
        site.file("pages.key", "no key")
        await hung_up(app, "refused")
        assert "pages.key holds no private key" in app.reloader.trouble


async def test_a_community_is_rotated(site: Site) -> None:
    """The printer answers to another community now; the settings follow, and it is read again."""
    async with running(site) as (app, outside):
        await outside.first_reading("fleet-0001")
        site.has("fleet-0001", community="invented-other")
        site.write()
        await hung_up(app)

        async def silent() -> bool | None:
            return app.registry.watchers["fleet-0001"].telemetry().up is False or None

        await until(silent, "silence under a wrong community")
        site.has("fleet-0001")
        site.write()
        await hung_up(app)
        await more_answers(site, "fleet-0001")


async def test_a_policy_people_and_badges_change_by_facts_with_a_date(site: Site) -> None:
    people = site.file("people.csv", "owner,cost_centre,from\nuser-anise,physics,\n")
    badges = site.file("badges.csv", "badge,owner,from\n04A32B1C99,user-anise,\n")
    site.more = f'[people]\nfile = "{people}"\n[badges]\ndirectory = "{badges}"\n'
    site.write()
    async with running(site) as (app, outside):
        await outside.first_reading("fleet-0001")
        begun_us = app.clock.now_us()
        people.write_text("owner,cost_centre,from\nuser-anise,physics,\nuser-anise,chemistry,2026-01-01\n")
        badges.write_text("badge,owner,from\n04A32B1C99,user-anise,\n04A32B1CAA,user-basil,\n")
        site.has("fleet-0001", 'policy = { charging = "none" }')
        site.more = site.more.replace("[badges]\n", '[badges]\nform = { encoding = "hex" }\n')
        site.more += '[[sources]]\nsource = "/release-server"\nticket = { copies = "unknown" }\n'
        site.write()
        await hung_up(app)

        async def policies() -> list[PolicySet] | None:
            facts = [one.fact async for one in app.store.facts("fleet-0001") if isinstance(one.fact, PolicySet)]
            return facts if len(facts) > 1 else None

        first, second = await until(policies, "a policy of today")
        assert (first.policy.charging, second.policy.charging) == ("lesser", "none")
        default = Ticket(unknown=("copies",))
        assert (first.policy.tickets, second.policy.tickets) == ((), (TicketDefault("/release-server", default),))
        assert first.at_us < begun_us <= second.at_us <= app.clock.now_us()
        site_facts = [one.fact async for one in app.store.facts("")]
        moved = [one for one in site_facts if isinstance(one, Assigned)]
        assert sorted(one.cost_centre for one in moved) == ["chemistry", "physics"]
        assert [one for one in site_facts if isinstance(one, Bound) and one.known_us >= begun_us] != []
        data = {"badge": "04:a3:2b:1c:aa", "gateway": "gw"}
        await outside.send("pagereeve.badge.presented.v1", "e-1", data)
        [seen] = [one async for one in app.store.badge_facts() if isinstance(one, BadgePresented)]
        assert seen.badge in {one.badge for one in site_facts if isinstance(one, Bound) and one.owner == "user-basil"}
        await hung_up(app)
        assert len([one async for one in app.store.facts("")]) == len(site_facts) + 1


async def test_receivers_come_and_go(site: Site) -> None:
    async with running(site) as (app, outside):
        desk = '[[alerts.webhooks]]\nname = "{name}"\nurl = "http://127.0.0.1:9/"\nsecret_file = "secret"\n'
        site.file("secret", "an-invented-secret-of-some-length")
        for names in (["desk"], ["desk", "night"], ["night"], []):
            site.more = "".join(desk.format(name=name) for name in names)
            site.write()
            await hung_up(app)
            assert sorted(app.alerting.workers) == sorted(app.alerting.dispatcher.receivers) == names
            text = await outside.metrics()
            for name in ("desk", "night"):
                assert (f'pagereeve_notifications_waiting{{receiver="{name}"}}' in text) is (name in names)
        assert app.supervisor.trouble() == ""


async def test_certificates_and_secrets_of_a_receiver_are_rotated(site: Site) -> None:
    """What waited while the receiver's certificate was not trusted comes once it is, signed with the new secret."""
    for name in ("ours", "another"):
        (site.folder / name).mkdir()
    certificate, another = self_made(site.folder / "ours"), self_made(site.folder / "another")
    trusted = site.file("ca.pem", another.certificate.read_text())
    secret = site.file("secret", "the-first-invented-secret")
    async with web_server(certificate.server()) as desk:
        site.more = (
            f'[alerts]\nhold = "0s"\n[[alerts.webhooks]]\nname = "desk"\nurl = "{desk.url}/"\n'
            f'least = "info"\nsecret_file = "{secret}"\nca_file = "{trusted}"\n'
        )
        site.write()
        async with running(site) as (app, outside):
            await outside.started("r-1", "nowhere", 3)

            async def failed() -> bool | None:
                return app.alerting.workers["desk"].counts["failed"] > 0 or None

            await until(failed, "a message that fails")
            failures = app.alerting.workers["desk"].counts["failed"]
            trusted.write_text(certificate.certificate.read_text())
            secret.write_text("the-second-invented-secret")
            await hung_up(app)

            async def came() -> Request | None:
                return desk.requests[0] if desk.requests else None

            request = await until(came, "the message")
            signed = f"{request.headers['pagereeve-timestamp']}.".encode() + request.body
            digest = hmac.digest(b"the-second-invented-secret", signed, "sha256").hex()
            assert request.headers["pagereeve-signature"] == f"sha256={digest}"
            assert app.alerting.workers["desk"].counts["failed"] == failures


async def test_which_settings_are_in_force_is_noted_beside_the_loop_of_events(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of 5,000 printers the note takes a tenth of a second."""
    threads: list[threading.Thread] = []

    def noted(settings: Settings, at_us: int) -> None:
        threads.append(threading.current_thread())
        note_settings(settings, at_us)

    monkeypatch.setattr(daemon, "note_settings", noted)
    async with running(site) as (app, _):
        site.has("fleet-0003")
        site.write()
        assert [one.partition(" (")[0] for one in waiting_settings(load_settings(site.config, {})).by_reload] == [
            "printer fleet-0003"
        ]
        await hung_up(app)
        assert not waiting_settings(load_settings(site.config, {}))
    assert len(threads) == 2
    assert threading.main_thread() not in threads
