"""``pagereeve restore``."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from pagereeve.app.backups import RestoreDone
from pagereeve.app.backups import restore as restore_journal
from pagereeve.cli.journal import journal_and_key
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir
from pagereeve.cli.output import complain, say, say_json
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.visible import visible

AcceptLoss = Annotated[
    bool, Parameter(negative="", help="Restore it though acknowledged facts are lost by it, and record that as a fact.")
]


def restore(
    file: Annotated[Path, Parameter(help="What pagereeve backup wrote.")],
    /,
    *,
    accept_loss: AcceptLoss = False,
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Put a backup in the place of the journal. Stop the daemon first.

    It is refused, and nothing is changed, if the file is damaged, or lacks acknowledged facts that the data folder
    holds. What is replaced is kept beside, in a folder with the date. Exit status 1 if the journal was restored, and
    the badge key that is there is not its own.
    """
    journal, key_file = journal_and_key(config, data_dir)
    done = asyncio.run(restore_journal(file, journal, key_file, accept_loss=accept_loss))
    for warning in done.warnings:
        complain(visible(warning))
    if json:
        say_json(_json(journal, done))
    else:
        say(visible(_text(journal, done)))
    if done.key_trouble:
        complain(visible(f"the badge key {key_file} {done.key_trouble}"))
    return 1 if done.key_trouble else 0


def _text(journal: Path, done: RestoreDone) -> str:
    restored, state = done.restored, done.restored.manifest.state
    made = to_text(restored.manifest.made_us)
    texts = [f"{journal}: {amount(state.facts, 'fact')} of {made}, opened and compared; {done.duration_s:.1f} s."]
    if restored.lost:
        lost = amount(restored.lost, "acknowledged fact is", "acknowledged facts are")
        texts.append(f"{lost} lost by this. The loss is recorded.")
    if restored.kept is not None:
        texts.append(f"What was replaced is in {restored.kept}.")
    if done.key_aside is not None:
        texts.append(f"The badge key of the backup is in place; the other one is {done.key_aside}.")
    return " ".join(texts)


def _json(journal: Path, done: RestoreDone) -> dict[str, Any]:
    restored, state = done.restored, done.restored.manifest.state
    return {
        "journal": str(journal),
        "made": to_text(restored.manifest.made_us),
        "facts": state.facts,
        "newest": None if state.newest_us is None else to_text(state.newest_us),
        "lost": restored.lost,
        "kept": None if restored.kept is None else str(restored.kept),
        "duration_s": round(done.duration_s, 3),
        "badge_key_trouble": done.key_trouble or None,
        "badge_key_aside": None if done.key_aside is None else str(done.key_aside),
    }
