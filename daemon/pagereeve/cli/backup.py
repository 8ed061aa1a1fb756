"""``pagereeve backup``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from pagereeve.app.backups import BackupMade, back_up
from pagereeve.cli.journal import journal_and_key
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir
from pagereeve.cli.output import complain, say, say_json
from pagereeve.domain.values.amounts import amount, form
from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.visible import visible
from pagereeve.store.sqlite.backup.state import JournalState

MIB = 2**20
STEPS_SHOWN = 64


def backup(
    target: Annotated[Path, Parameter(help="The file to write, best on another disk.")],
    /,
    *,
    with_badge_key: Annotated[
        bool,
        Parameter(negative="", help="Put the badge key in. Who has both can try all badge numbers: keep it safe."),
    ] = False,
    replace: Annotated[bool, Parameter(negative="", help="Replace the file that is there.")] = False,
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Copy the journal of one moment to one file, beside a running daemon; it can't be overwritten by accident.

    The copy is opened, checked and compared with the journal before it has its name. Settings are not in it, and the
    badge key only if wanted. Exit status 1 if a row of the journal was damaged already: it is named, and the copy has
    it as it is.
    """
    journal, key_file = journal_and_key(config, data_dir)
    made = back_up(journal, target, key_file, with_key=with_badge_key, replace=replace, on_step=_show)
    state = made.manifest.state
    if json:
        say_json(_json(target, made))
    else:
        say(visible(_text(target, made)))
    if made.untraced:
        complain(made.untraced)
    for row in state.damaged:
        where = f"{row.printer or 'the site'}: fact {row.seq} ({row.kind})"
        complain(visible(f"{where} is damaged in the journal, and stands in the backup as it is"))
    return 1 if state.damaged else 0


def _show(left: int, whole: int) -> None:
    """How far it is, on a terminal only."""
    if not sys.stderr.isatty():
        return
    if not left:
        sys.stderr.write("\r100 % copied; it is compared now\n")
    elif left % STEPS_SHOWN == 0:
        sys.stderr.write(f"\r{100 * (whole - left) // whole:3d} % copied")


def _text(target: Path, made: BackupMade) -> str:
    state = made.manifest.state
    newest = "none" if state.newest_us is None else to_text(state.newest_us)
    if made.manifest.key is not None:
        key = "The badge key is in it: who reads this file can try all badge numbers"
    elif state.key_id:
        key = f"The badge key is not in it (its id is {state.key_id}): keep a copy of it elsewhere"
    else:
        key = "No badge key was in use yet"
    return (
        f"{target}: {amount(state.facts, 'fact')} on {amount(len(state.timelines), 'timeline')}, "
        f"the newest of {newest}; "
        f"{made.size_bytes / MIB:.1f} MiB in {made.duration_s:.1f} s, compared with the journal. {key}."
        f"{_archives_text(state)}"
    )


def _archives_text(state: JournalState) -> str:
    count = _archives(state)
    if not count:
        return ""
    return f" {amount(count, 'file')} of archives {form(count, 'is', 'are')} not in it: copy the folder archives, too."


def _archives(state: JournalState) -> int:
    """A journal of before there were archives has no such table."""
    table = state.tables.get("archive")
    return 0 if table is None else table.rows


def _json(target: Path, made: BackupMade) -> dict[str, Any]:
    manifest = made.manifest
    state = manifest.state
    return {
        "file": str(target),
        "made": to_text(manifest.made_us),
        "facts": state.facts,
        "timelines": len(state.timelines),
        "newest": None if state.newest_us is None else to_text(state.newest_us),
        "fence": state.newest.fence,
        "sequence": state.newest.sequence,
        "digest": state.newest.digest,
        "size_bytes": made.size_bytes,
        "duration_s": round(made.duration_s, 3),
        "badge_key_id": state.key_id or None,
        "badge_key": manifest.key is not None,
        "archives_not_in_it": _archives(state),
        "damaged": [{"printer": row.printer, "number": row.seq, "kind": row.kind} for row in state.damaged],
    }
