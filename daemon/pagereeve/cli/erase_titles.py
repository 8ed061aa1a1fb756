"""``pagereeve erase-titles``: what the daemon does each hour, for a journal that no daemon has open."""

from __future__ import annotations

import asyncio

from pagereeve.app.erasing import erase_old_titles
from pagereeve.cli.journal import journal_place
from pagereeve.cli.options import CONFIG_DEFAULT, Config
from pagereeve.cli.output import say
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.feeds.local.peer import this_user
from pagereeve.settings import load_settings


def erase_titles(*, config: Config = CONFIG_DEFAULT) -> None:
    """Delete titles of jobs that are older than [privacy] keep_titles_for says. Stop the daemon first; one that runs
    does it by itself, each hour.

    A dated fact says from how many facts, and who did it. The seal holds: pagereeve verify passes as before.
    """
    keep = load_settings(config).privacy.keep_titles_for
    if keep is None:
        raise BadQuestion("[privacy]", "keep_titles_for is not set: titles are kept for good, if they are kept at all")
    facts = asyncio.run(erase_old_titles(journal_place(config, None), keep.us, this_user().name))
    say(f"Titles were deleted from {amount(facts, 'fact')}." if facts else "No title is older.")
