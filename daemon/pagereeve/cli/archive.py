"""``pagereeve archive``: readings of closed periods go into files beside the journal."""

from __future__ import annotations

import asyncio
from typing import Annotated

from cyclopts import Parameter

from pagereeve.app.archiving import Archived, ArchivingRequest, archive_journal, archives_of, look_before_archive
from pagereeve.app.journals import JournalPlace
from pagereeve.cli.journal import journal_place
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir
from pagereeve.cli.output import complain, say, say_json
from pagereeve.cli.site import site_of
from pagereeve.feeds.local.peer import this_user
from pagereeve.reports.archiving import archived_json, done_lines, look_lines
from pagereeve.settings import load_settings

KEEP = (
    "Keep these files as you keep the journal: {folder}. Backups of the journal do not hold them; a backup of before "
    "still holds what left it. Without them explain, replay and late notices of those periods are refused."
)


def archive(
    *,
    before: Annotated[
        str, Parameter(help="All closed periods up to the beginning of this one go: 2027, 2026-Q4, 2026-11 ...")
    ],
    dry_run: Annotated[bool, Parameter(negative="", help="Only say what would go; beside the daemon too.")] = False,
    shrink: Annotated[
        bool, Parameter(negative="", help="Write the journal anew afterwards: needs twice its size free.")
    ] = False,
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> None:
    """Put readings of closed periods into sealed, compressed files beside the journal. Stop the daemon first.

    Daemons that share a database may run on, unless with --shrink. A reading leaves the journal once it was read back
    from the file and compared with its seal, which stays; the files' digests are sealed with who decided it. Everything
    else stays, all that names somebody among it.
    """
    place = journal_place(config, data_dir)
    asked = site_of(config, data_dir, None).chosen(before, None, None)
    if dry_run:
        look = asyncio.run(look_before_archive(place, asked))
        if json:
            say_json(archived_json(look.periods, look.unfinished, 0, None, None))
        else:
            for line in look_lines(look.periods, look.unfinished, look.facts_before):
                say(line)
        return
    shared = data_dir is None and load_settings(config).journal.shared
    said = ArchivingRequest(asked, this_user().name, shrink, shared)
    done = asyncio.run(archive_journal(place, said, complain))
    _tell(done, place, as_json=json)


def _tell(done: Archived, place: JournalPlace, *, as_json: bool) -> None:
    if as_json:
        say_json(archived_json(done.periods, done.finished, done.removed, done.before, done.after))
        return
    if done.before is not None and done.after is not None:
        for line in done_lines(done.periods, done.finished, done.removed, done.before, done.after):
            say(line)
    if done.periods:
        say(KEEP.format(folder=archives_of(place)))
