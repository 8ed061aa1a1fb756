"""Badges at the running daemon: the directory from its file, readers' forms, and what becomes of a bad directory."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pagereeve.app.daemon import App
from pagereeve.app.replay import replay_store
from pagereeve.domain.badges.projector import SITE
from pagereeve.domain.ledger import Finding
from pagereeve.settings import (
    BadgeFormSettings,
    BadgeSettings,
    Duration,
    GatewaySettings,
    PrinterSettings,
    ReaderSettings,
    Settings,
)
from tests.integration.daemon import Outside, hasty_settings, until

GATEWAYS = (GatewaySettings(name="east"), GatewaySettings(name="west"))
# Ports of loopback at which nobody answers: these tests are about badges alone.
PRINTERS = tuple(
    PrinterSettings(name=f"printer-{one.name}", host="127.0.0.1", port=port, gateway=one.name)
    for port, one in enumerate(GATEWAYS, 9)
)
HEX = BadgeFormSettings(encoding="hex", width_bits=32)
TURNED = BadgeFormSettings(encoding="hex", width_bits=32, byte_order="least-first")
GOOD = "badge,owner,from\n1EA68671,anise,\n4CDDA15F,birch,\n"


def settings_of(folder: Path, directory: str = GOOD) -> Settings:
    path = folder / "badges.csv"
    path.write_text(directory, encoding="utf-8")
    badges = BadgeSettings(form=HEX, directory=path, travel=Duration.of("0s"))
    readers = (ReaderSettings(gateway="east", name="desk", form=TURNED),)
    return hasty_settings(folder, PRINTERS, gateways=GATEWAYS, readers=readers, badges=badges)


async def badge(outside: Outside, name: str, number: str, gateway: str = "east", **more: str) -> dict[str, Any]:
    data = {"badge": number, "gateway": gateway, **more}
    answer = await outside.send("pagereeve.badge.presented.v1", name, data)
    assert answer.status_code == 200
    return dict(answer.json())


async def of_site(outside: Outside, *, least: int) -> list[Finding]:
    async def look() -> list[Finding] | None:
        known = [one for one in await outside.app.store.findings(only_open=False) if one.printer == SITE]
        return known if len(known) >= least else None

    return await until(look, f"{least} findings of the site")


async def test_badges_readers_and_owners(tmp_path: Path) -> None:
    async with App(settings_of(tmp_path)) as app, Outside(app) as outside:
        await badge(outside, "b1", "1ea68671")
        await badge(outside, "b2", "7186A61E", reader="desk")
        await badge(outside, "b3", "DEADBEEF", "west")
        told = await badge(outside, "b4", "DEADBE", "west")
        assert "DEADBE" not in str(told)
        data = {"release": "r", "job": "j", "owner": "birch", "printer": "printer-west", "badge": "1EA68671"}
        assert (await outside.send("pagereeve.release.started.v1", "r.started", data)).status_code == 200
        found = await of_site(outside, least=3)
        assert {(one.kind, one.place) for one in found} == {
            ("unknown-badge", "the reader at gateway west"),
            ("badge-owner-differs", "printer printer-west"),
            ("badge-elsewhere", "printer printer-west"),
        }
        assert (await replay_store(app.store, store=False)).differing == []
        metrics = await outside.metrics()
        assert 'pagereeve_site_open_findings{kind="unknown-badge"} 1.0' in metrics
        assert 'pagereeve_site_open_findings{kind="feed-silent"} 0.0' in metrics
        assert 'pagereeve_refused_badges_total{reason="length"} 1.0' in metrics


async def test_a_directory_with_two_owners_of_one_badge_leaves_the_old_one_in_force(tmp_path: Path) -> None:
    async with App(settings_of(tmp_path)):
        pass
    bad = "badge,owner,from\n1EA68671,anise,\n1EA68671,clover,\n"
    async with App(settings_of(tmp_path, bad)) as app, Outside(app) as outside:
        assert app.ready
        await badge(outside, "b1", "4CDDA15F")
        await badge(outside, "b2", "DEADBEEF")
        found = await of_site(outside, least=1)
        assert [one.kind for one in found] == ["unknown-badge"]


async def test_what_was_found_is_there_after_a_restart_and_goes_on(tmp_path: Path) -> None:
    async with App(settings_of(tmp_path)) as app, Outside(app) as outside:
        await badge(outside, "b1", "DEADBEEF")
        before = await of_site(outside, least=1)
    async with App(settings_of(tmp_path)) as app, Outside(app) as outside:
        assert [one.id for one in await of_site(outside, least=1)] == [one.id for one in before]
        await badge(outside, "b2", "DEADBEEF")
        await badge(outside, "b3", "DEADBEE0")
        assert len(await of_site(outside, least=2)) == 2
