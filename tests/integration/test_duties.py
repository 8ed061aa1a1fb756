"""A daemon whose duties go to another worker and come back: what it does of them, and what it leaves alone."""

from __future__ import annotations

from pathlib import Path

from pagereeve.app.daemon import App
from pagereeve.app.receivers import receivers_of
from pagereeve.domain.alerts.alert import SiteLayout, begun
from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.alerts.telling import compose
from pagereeve.domain.findings.finding import make
from pagereeve.ports.forward_settings import ForwardSettings
from pagereeve.ports.hints import DUTIES, Hint
from pagereeve.ports.outbox import Announcement
from pagereeve.settings import AlertSettings, WebhookSettings
from tests.findings import said
from tests.integration.daemon import hasty_settings

TASKS = {"alerts", "delivery to desk", "badges", "forwarding to centre", "titles"}


def message_of(app: App) -> Notification:
    at_us = app.clock.now_us()
    silent = make("meter-silent", "library-1", (1,), at_us, said("reads fail"), [])
    return compose(begun(silent, SiteLayout(), at_us), "opened", SiteLayout(), at_us)[1]


def tasks(app: App) -> set[str]:
    return {task.get_name() for task in app.supervisor.tasks} & TASKS


async def test_duties_end_when_they_are_anothers_and_begin_again(tmp_path: Path) -> None:
    """Nothing listens at the receiver's address; its queue is the other worker's meanwhile, and stays."""
    secret = tmp_path / "secret"
    secret.write_text("a-secret-of-nobody-in-particular")
    secret.chmod(0o600)
    hook = WebhookSettings(name="desk", url="http://127.0.0.1:9/hook", secret_file=secret)
    forward = ForwardSettings(name="centre", url="http://127.0.0.1:9", site="annex", token_file=secret)
    settings = hasty_settings(tmp_path, [], alerts=AlertSettings(webhooks=(hook,)), forward=[forward])
    async with App(settings) as app:
        assert tasks(app) == TASKS
        duties = [Hint("duty", one) for one in DUTIES]
        await app.keeper.hints.give_back(duties)
        taken = await app.keeper.hints.take(duties, 9)
        assert taken == duties
        app.keeper._mine.clear()
        await app.keeper._begin_and_end_duties()
        assert tasks(app) == set()
        # A reload begins none of them, and gives up nobody's queue.
        message = message_of(app)
        await app.store.announce(Announcement(messages=[("desk", message), ("of-the-other", message)]))
        await app.alerting.change(settings, receivers_of(settings.alerts, app.clock))
        assert tasks(app) == set()
        assert {"desk", "of-the-other"} <= set(await app.store.queues())
        app.keeper._mine.update(duties)
        await app.keeper._begin_and_end_duties()
        assert tasks(app) == TASKS
        # Whoever has the duty by its own settings does.
        assert "of-the-other" not in await app.store.queues()
