"""``pagereeve move``."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn, TimeRemainingColumn

from pagereeve.app.journals import place_of
from pagereeve.app.moving import OnStep, move_journal
from pagereeve.app.replay import collect_seldom
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config
from pagereeve.cli.output import say, say_json
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.reports.moving import moved_json, moved_lines
from pagereeve.settings import load_settings
from pagereeve.store.postgres.address import Address
from pagereeve.store.sqlite.files import JOURNAL_NAME

NO_DATABASE = (
    "these settings name no database to move to; write its url and password_file into their [journal] (pagereeve docs "
    "operate), or name a copy of them where they stand"
)


def move(*, json: AsJson = False, config: Config = CONFIG_DEFAULT) -> int:
    """Move the journal from its file in the data folder into the PostgreSQL database that [journal] names.

    Stop the daemon first. The database must be empty, or one that a move of this journal began: after a kill the same
    command goes on where it was. All rows are read back, the seal is verified, totals and findings are compared; until
    then no daemon opens the database. The file stays as it was. Exit status 1 if something was wrong with the journal
    already: it is named, and moved as it is. Example: pagereeve move --config /etc/pagereeve/pagereeve.toml
    """
    settings = load_settings(config)
    address = place_of(settings)
    if not isinstance(address, Address):
        raise BadQuestion("--config", NO_DATABASE)
    collect_seldom()
    with _progress() as on_step:
        done = asyncio.run(move_journal(settings.data_dir / JOURNAL_NAME, address, on_step))
    if json:
        say_json(moved_json(done))
    else:
        for line in moved_lines(done):
            say(line)
    return 0 if done.is_good else 1


@contextmanager
def _progress() -> Iterator[OnStep]:
    """A bar on a terminal only."""
    if not sys.stderr.isatty():
        yield lambda _what, _done, _all: None
        return
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TaskProgressColumn())
    with Progress(*columns, TimeElapsedColumn(), TimeRemainingColumn(), console=Console(stderr=True)) as bars:
        task = bars.add_task("", total=None)

        def on_step(what: str, rows: int, all_rows: int) -> None:
            bars.update(task, description=what, completed=rows, total=all_rows or None)

        yield on_step
