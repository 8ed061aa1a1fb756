"""A receiver comes to a running daemon that has open alerts, goes, and comes back: one mail each time that it comes."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from tests.integration.daemon import until
from tests.integration.reloading import hung_up, running, site_in
from tests.integration.test_receivers_mail import DAY, SENDER, Office, mail_server

ALERTS = '[site]\nzone = "Europe/Berlin"\n[alerts]\nhold = "0s"\n'
# The dispatcher looks every second.
LOOKS_S = 1.5


async def comes(office: Office, count: int) -> None:
    async def look() -> bool | None:
        return len(office.taken) >= count or None

    await until(look, f"{count} mails")


@pytest.mark.timeout(60)
async def test_one_mail_lists_what_was_open_before(tmp_path: Path) -> None:
    async with site_in(tmp_path) as site:
        with mail_server() as office:
            server = f'server = "127.0.0.1:{office.port}"\nsender = "{SENDER}"\nrecipients = ["{DAY}"]\n'
            with_mail = f'{ALERTS}[[alerts.mails]]\nname = "desk"\n{server}'
            site.more = ALERTS
            site.write()
            async with running(site) as (app, outside):
                await outside.started("r-1", "nowhere", 3)

                async def told() -> bool | None:
                    return sum(app.alerting.dispatcher.open_alerts().values()) > 0 or None

                await until(told, "an alert that nobody receives")
                for more, count in ((with_mail, 1), (ALERTS, 1), (with_mail, 2)):
                    site.more = more
                    site.write()
                    await hung_up(app)
                    await comes(office, count)
            async with running(site) as (app, outside):
                await until(told, "the alert after a restart")
                await asyncio.sleep(LOOKS_S)
    subjects = [mail["Subject"] for _, mail, _ in office.taken]
    assert subjects == ["Pagereeve: 1 alert already open"] * 2
    plain = office.taken[0][1].get_body(("plain",))
    assert plain is not None
    text = plain.get_content()
    assert (
        "  warning: the sender of release notices: releases name a printer that is not in the settings, since" in text
    )
    assert "Times are those of Europe/Berlin." in text
