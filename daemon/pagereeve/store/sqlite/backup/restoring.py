"""Put a backup in the place of the journal: proven in a folder of its own first, and nothing is lost unsaid."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import to_text
from pagereeve.ports.clock import Clock
from pagereeve.store.newest import Newest, NewestFile, read_newest
from pagereeve.store.sqlite.backup.container import Manifest, read_manifest, unpack
from pagereeve.store.sqlite.backup.errors import BackupTrouble, BadBackup, WouldLose
from pagereeve.store.sqlite.backup.staging import staging
from pagereeve.store.sqlite.backup.standing import Standing, standing_of
from pagereeve.store.sqlite.backup.switch import rescue, switch_steps
from pagereeve.store.sqlite.backup.taking import troubles_of
from pagereeve.store.sqlite.files import JOURNAL_NAME, newest_path
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.lock import InstanceLock
from pagereeve.store.sqlite.opening_check import examine
from pagereeve.store.sqlite.upgrade import MARGIN_BYTES, FreeBytes, free_bytes

STAGING: Final = "journal.restoring"
REPLACED: Final = "journal.replaced-"
_SHOWN: Final = 4
_NOT_THE_ONE: Final = "-"


@dataclass(frozen=True, slots=True)
class Restored:
    """``kept`` is the folder with what was replaced, None where there was nothing. ``lost`` facts were given up."""

    manifest: Manifest
    standing: Standing
    kept: Path | None

    @property
    def lost(self) -> int:
        return self.standing.lacking


async def restore_backup(
    backup: Path, journal: Path, clock: Clock, *, accept_loss: bool = False, free: FreeBytes = free_bytes
) -> Restored:
    """``journal`` is what the backup holds, on return. The folder that it is in must exist, and no daemon may run.

    Raises BadBackup, WouldLose (unless ``accept_loss``: then a LossAccepted is the newest fact), BackupTrouble, or a
    kind of CantOpen; the folder is then as it was.
    """
    journal = journal.resolve()  # noqa: ASYNC240 - a command, which does nothing else meanwhile
    manifest = read_manifest(backup)
    lock = InstanceLock.take(journal)
    try:
        rescue(journal, journal.with_name(STAGING), _kept_name(journal, clock.now_us()))
        _refuse_full_disk(backup, manifest, journal, free)
        with staging(journal.with_name(STAGING)) as folder:
            new = folder / JOURNAL_NAME
            _unpack(backup, manifest, new)
            standing = standing_of(journal, lock, new)
            if standing.would_lose and not accept_loss:
                raise WouldLose(backup, _words(standing, manifest))
            _hand_over(new, standing)
            await _prove(new, clock, manifest, standing)
            kept = _switch(journal, new, clock, fold=standing.opens)
        examine(journal, accept_loss=False, new=False)
        return Restored(manifest, standing, kept)
    except OSError as error:
        raise BackupTrouble(backup, f"can't be restored: {error.filename or journal}: {error.strerror}") from error
    finally:
        lock.release()


def _refuse_full_disk(backup: Path, manifest: Manifest, journal: Path, free: FreeBytes) -> None:
    need, there = manifest.size_bytes + MARGIN_BYTES, free(journal.parent)
    if there < need:
        raise BackupTrouble(backup, f"needs {need} bytes free in {journal.parent}; {there} are. Nothing was changed")


def _unpack(backup: Path, manifest: Manifest, new: Path) -> None:
    """Raises BadBackup, which names what is damaged in it."""
    whole = unpack(backup, manifest, new)
    troubles = troubles_of(new, manifest.state)
    if not whole and not troubles:
        troubles = ["a byte in which nothing is stored is other than it was"]
    if troubles:
        raise BadBackup(backup, f"is damaged, and was not restored: {'; '.join(troubles[:_SHOWN])}. Use another one")


def _words(standing: Standing, manifest: Manifest) -> str:
    """Why it is not restored without a word."""
    taken = to_text(manifest.made_us)
    if standing.lacking:
        what = (
            f"lacks {amount(standing.lacking, 'acknowledged fact')} that the data folder holds; "
            f"it was taken at {taken} and has {manifest.state.facts}"
        )
    else:
        what = (
            f"was taken at {taken}, and nobody can say what it lacks: the files in the data folder can't be read "
            f"({standing.unreadable})"
        )
    return f"{what}. Nothing was changed. With --accept-loss it is restored all the same, and that is recorded"


def _hand_over(new: Path, standing: Standing) -> None:
    """The fence goes on from here, and the note beside the new journal says what was acknowledged until now.

    Whether anything of it is missing is then judged as at every start (store/sqlite/opening_check.py).
    """
    with closing(sqlite3.connect(new, isolation_level=None)) as connection:
        connection.execute("UPDATE instance SET fence = max(fence, ?)", (standing.fence,))
        [(fence,)] = connection.execute("SELECT max(fence) FROM instance").fetchall()
    seed = standing.acknowledged or Newest()
    if standing.unreadable:
        newest_path(new).touch(mode=0o600)  # no record can be read in it
        return
    if standing.lacking and standing.acknowledged is not None and seed.sequence <= _sequence(new):
        seed = replace(seed, digest=_NOT_THE_ONE)  # the facts differ further back
    note = NewestFile.open(newest_path(new), None)
    try:
        note.write(replace(seed, fence=fence or 0))
    finally:
        note.close()


def _sequence(new: Path) -> int:
    with closing(sqlite3.connect(f"{new.as_uri()}?mode=ro&immutable=1", uri=True)) as connection:
        return int(connection.execute("SELECT max(rowid) FROM fact").fetchone()[0] or 0)


async def _prove(new: Path, clock: Clock, manifest: Manifest, standing: Standing) -> None:
    """Open it as a start does: its tables become this program's, and a loss becomes a fact."""
    opened = await SqlJournal.open(new, clock, accept_loss=standing.would_lose)
    await opened.close()
    seen = read_newest(newest_path(new))
    wanted = manifest.state.newest.sequence + standing.would_lose
    if seen is None or seen.newest is None or seen.newest.sequence != wanted:
        raise BackupTrouble(new, f"holds other than {wanted} facts once it was opened; nothing was changed")


def _switch(journal: Path, new: Path, clock: Clock, *, fold: bool) -> Path | None:
    kept = _kept_name(journal, clock.now_us())
    try:
        for step in switch_steps(journal, new, kept, fold=fold):
            step()
    except BaseException:
        rescue(journal, new.parent, kept)
        raise
    return kept if kept.exists() else None


def _kept_name(journal: Path, now_us: int) -> Path:
    stamp = to_text(now_us)[:19].replace(":", "").replace("-", "") + "Z"
    names = [f"{REPLACED}{stamp}", *(f"{REPLACED}{stamp}-{number}" for number in range(2, 100))]
    return next(path for name in names if not (path := journal.with_name(name)).exists())
