"""What the settings say of the site, recorded when the daemon starts."""

from __future__ import annotations

import structlog

from pagereeve.app.renaming import rename
from pagereeve.app.site_record import append_all, new_people_if_told, new_site_facts
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.ports.clock import Clock
from pagereeve.ports.store import Store
from pagereeve.settings import BadSettings, Settings
from pagereeve.settings.lists.directory import Binding

log = structlog.get_logger("pagereeve.app")


async def record_site(store: Store, clock: Clock, settings: Settings, badges: BadgeHasher) -> None:
    """People, the directory, the printers' places and the rules for badges: what no fact has said yet, with a date.

    A directory with errors is reported, and what was known before stays in force: readings must go on. Raises
    JournalUnavailable.
    """
    now_us = clock.now_us()
    await append_all(store, await new_people_if_told(store, settings, now_us))
    await append_all(store, await new_site_facts(store, settings, badges, _directory(settings), now_us))
    await rename(store, clock, settings)


def _directory(settings: Settings) -> tuple[Binding, ...] | None:
    """None where there is none, or one with errors."""
    try:
        return None if settings.badges.directory is None else settings.directory()
    except BadSettings as error:
        text = "the directory of badges was refused; what was known before stays in force"
        log.error(text, why=str(error))  # noqa: TRY400 - the table says it all
    return None
