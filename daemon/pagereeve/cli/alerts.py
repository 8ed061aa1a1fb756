"""``pagereeve alerts``: alerts, undelivered messages, and a test message to a receiver."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from pagereeve.app.clocks import SystemClock
from pagereeve.app.receivers import receivers_of
from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir, Zone
from pagereeve.cli.output import say, say_json
from pagereeve.cli.site import site_of
from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.alerts.telling import trial
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.receiver import NotDelivered, Receiver
from pagereeve.queries.alerts import AlertsAnswer, alerts_of
from pagereeve.reports.alerts import alerts_json, alerts_text
from pagereeve.settings import load_settings

TRY_WITHIN_S = 30.0

app = App(name="alerts", help="List alerts and undelivered messages; send a test message.")


@app.default
def alerts(
    *, json: AsJson = False, zone: Zone = None, config: Config = CONFIG_DEFAULT, data_dir: DataDir = None
) -> int:
    """Alerts that are open or ended within the last hour, and the queue of each receiver. Status 1 if one is open."""
    shown_zone = site_of(config, data_dir, zone).zone
    known = asyncio.run(_known(config, data_dir))
    if json:
        say_json(alerts_json(known.kept, known.queues))
    else:
        # Of a folder alone nobody knows which receivers the settings have.
        given = () if data_dir is not None else [one.name for _, one in load_settings(config).alerts.receivers()]
        say(alerts_text(known.kept, known.queues, shown_zone, given))
    return 1 if known.one_stands else 0


@app.command(name="try")
def try_(
    receiver: Annotated[str, Parameter(help="The receiver's name in the settings.")],
    /,
    *,
    config: Config = CONFIG_DEFAULT,
) -> int:
    """Send a test message, from here and past the queue. Status 1 if it was not accepted."""
    settings, clock = load_settings(config), SystemClock()
    known = {one.name: one for one, _ in receivers_of(settings.alerts, clock)}
    if receiver not in known:
        names = ", ".join(sorted(known)) or "none"
        raise BadQuestion("RECEIVER", f"{receiver[:40]!r} is no receiver; the settings have {names}")
    why = asyncio.run(_try(known.values(), known[receiver], trial(receiver, clock.now_us(), settings.site.zone)))
    say(f"{receiver} accepted the test message." if not why else f"{receiver} did not accept it: {why}")
    return 1 if why else 0


async def _try(known: Iterable[Receiver], one: Receiver, message: Notification) -> str:
    """Why it was not accepted; "" if it was."""
    try:
        async with asyncio.timeout(TRY_WITHIN_S):
            await one.deliver(message)
    except NotDelivered as error:
        return str(error)
    except TimeoutError:
        return f"no answer within {TRY_WITHIN_S:g} s"
    finally:
        for receiver in known:
            await receiver.close()
    return ""


async def _known(config: Path, data_dir: Path | None) -> AlertsAnswer:
    async with open_reads(config, data_dir) as reads:
        return await alerts_of(reads)
