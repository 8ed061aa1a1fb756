"""``pagereeve erase``."""

from __future__ import annotations

import asyncio
from typing import Annotated

from cyclopts import Parameter

from pagereeve.app.erasing import erase_owner
from pagereeve.cli.journal import journal_path
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir
from pagereeve.cli.output import complain, say
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.feeds.local.peer import this_user

CAUTION = (
    "Before you erase anybody: whether you may, must, or must not yet is a matter of local law, retention duties "
    "(accounts may have to be kept) and works agreements. Nothing brings the name back."
)
REMAINS = (
    "The name may still stand in copies and exports of the journal, in the lists of people and badges (the next start "
    "would record it again), and with the release server. Names of jobs and releases stay as they are."
)


def erase(
    owner: Annotated[str, Parameter(help="The person, as the release server and the lists name them.")],
    /,
    *,
    yes: Annotated[bool, Parameter(negative="", help="Do it: it can't be undone.")] = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> None:
    """Take a person's name, badge hashes, job titles and queues out of the journal. Stop the daemon first.

    Pages and charges stay, under a name of nobody. A dated fact says that somebody was erased, by whom, and not who.
    The seal holds: pagereeve verify passes as before. Who erases is the user who runs this.
    """
    if not yes:
        raise BadQuestion("--yes", f"is missing. {CAUTION}")
    done = asyncio.run(erase_owner(journal_path(config, data_dir), owner, this_user().name))
    complain(CAUTION)
    facts, badges = done.outcome.facts, done.outcome.badges
    say(f"Erased from {amount(facts, 'fact')}, with {amount(badges, 'badge')}; {done.name} stands in their place.")
    if shared := done.outcome.shared_badges:
        say(f"{amount(shared, 'badge')} had other owners too at some time: kept.")
    if closed := done.outcome.closed:
        say(f"In closed periods the name alone differs from now on, pages do not: {', '.join(closed)}.")
    say(REMAINS)
