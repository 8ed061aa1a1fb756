"""``pagereeve erase``."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pagereeve.app.erasing import NameRetention, erase_owner
from pagereeve.cli.journal import journal_place
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir
from pagereeve.cli.output import complain, say
from pagereeve.cli.site import site_of
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.feeds.local.peer import this_user
from pagereeve.settings import load_settings

CAUTION = (
    "Before you erase anybody: whether you may, must, or must not yet is a matter of local law, retention duties "
    "(accounts may have to be kept) and works agreements. Nothing brings the name back."
)
REMAINS = (
    "The name may still stand in copies and exports of the journal, in the lists of people and badges (the next start "
    "would record it again), and with the release server. Names of jobs and releases stay as they are."
)


def erase(
    owner: Annotated[str, Parameter(help="The person: a login, a mail address, or an id (p-...) of a list.")],
    /,
    *,
    yes: Annotated[bool, Parameter(negative="", help="Do it: it can't be undone.")] = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> None:
    """Take a person's logins, names, mail addresses, badge hashes, job titles and queues out of the journal. Stop the
    daemon first. Refused as long as [privacy] keep_names_for says, with the date.

    Pages and charges stay, under a name of nobody. A dated fact says that somebody was erased, by whom, and not who.
    The seal holds: pagereeve verify passes as before. Who erases is the user who runs this.
    """
    if not yes:
        raise BadQuestion("--yes", f"is missing. {CAUTION}")
    done = asyncio.run(
        erase_owner(journal_place(config, data_dir), owner, this_user().name, _retention(config, data_dir))
    )
    complain(CAUTION)
    facts, badges = done.outcome.facts, done.outcome.badges
    say(f"Erased from {amount(facts, 'fact')}, with {amount(badges, 'badge')}; {done.name} stands in their place.")
    if shared := done.outcome.shared_badges:
        say(f"{amount(shared, 'badge')} had other owners too at some time: kept.")
    if closed := done.outcome.closed:
        say(f"In closed periods the name alone differs from now on, pages do not: {', '.join(closed)}.")
    say(REMAINS)


def _retention(config: Path, data_dir: Path | None) -> NameRetention | None:
    """None where the settings have none, or a folder stands in their place."""
    keep = None if data_dir is not None else load_settings(config).privacy.keep_names_for
    return None if keep is None else NameRetention(keep.us, site_of(config, data_dir, None).zone)
