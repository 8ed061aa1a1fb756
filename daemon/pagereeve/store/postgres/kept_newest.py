"""What this machine knows of the newest commit. A database that holds less was set back, or lost what its server had
acknowledged: a standby took over that lacked it, or a server that was set aside came back.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from sqlalchemy import Connection

from pagereeve.domain.values.amounts import amount, form
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.errors import CantOpen, LostCommits
from pagereeve.store.newest import Found, Newest, NewestFile, NewestSeen, compared, read_newest

NAMES: Final = "journal-*.newest"
ORIGIN_DIGITS: Final = 12
_STORED: Final = (
    "SELECT origin, size, coalesce((SELECT max(fence) FROM instance), 0) AS fence, "
    "(SELECT link FROM seal_entry WHERE position = $1::bigint) AS link FROM seal"
)
WHAT_TO_DO: Final = (
    "Was an older copy restored, or did a standby take over that lacked it? Put the database back that has it; or "
    "start once with --accept-loss, which goes on without what is missing, and records that"
)


@dataclass(slots=True)
class KeptNewest:
    """``newest`` is what the database must hold. It is noted before each acknowledgement in ``file``; None: nowhere."""

    name: str
    newest: Newest = field(default_factory=Newest)
    file: NewestFile | None = None

    def keep(self, newest: Newest) -> None:
        """Raises OSError."""
        if newest.sequence > self.newest.sequence:
            self.newest = newest
            if self.file is not None:
                self.file.write(newest)

    def begin(self, connection: Connection, fence: int) -> None:
        """As the database is now. Raises OSError."""
        with connection.begin():
            size = connection.exec_driver_sql("SELECT size FROM seal").scalar_one()
            row = connection.exec_driver_sql(_STORED, (size,)).one()
        self.newest = Newest(fence, row.size, row.link or "-")
        if self.file is not None:
            self.file.write(self.newest)

    def require(self, connection: Connection) -> None:
        """Of a connection that was made anew: perhaps to another server. Raises JournalUnavailable."""
        found = _compared(connection, NewestSeen(self.newest))
        if found.loss is not None:
            raise JournalUnavailable(f"journal {self.name}: {_words(found, 'this daemon knows')}")

    def sync(self) -> None:
        """Raises OSError."""
        if self.file is not None:
            self.file.sync()

    def close(self) -> None:
        if self.file is not None:
            self.file.close()


def note_path(folder: Path, origin: str) -> Path:
    return folder / f"journal-{origin[:ORIGIN_DIGITS]}.newest"


def notes_in(folder: Path) -> list[Path]:
    """Of journals that were in a database when this machine wrote them."""
    return sorted(folder.glob(NAMES))


def examined(connection: Connection, name: str, folder: Path, *, accept_loss: bool) -> Found:
    """Compares the database with what this machine noted of its journal, if anything.

    Raises LostCommits where it holds less, or something else, unless ``accept_loss``; CantOpen.
    """
    with connection.begin():
        origin = connection.exec_driver_sql("SELECT origin FROM seal").scalar_one_or_none()
    if origin is None:
        return Found(None)
    path = note_path(folder, origin)
    try:
        seen = read_newest(path)
    except OSError as error:
        raise CantOpen(name, f"{path} can't be read: {error.strerror}") from error
    found = Found(None) if seen is None else _compared(connection, seen)
    if found.loss is not None and not accept_loss:
        raise LostCommits(name, _words(found, f"{path} says"))
    return found


def begun_anew(notes: list[Path]) -> Found:
    """An empty journal, where ``notes`` tell of one that is gone."""
    seen = [one for path in notes if (one := read_newest(path)) is not None and one.newest is not None]
    sizes = [0 if one.newest is None else one.newest.sequence for one in seen]
    return Found(None, "no-journal", max(sizes)) if any(sizes) else Found(None)


def _compared(connection: Connection, seen: NewestSeen) -> Found:
    noted = seen.newest
    with connection.begin():
        row = connection.exec_driver_sql(_STORED, (0 if noted is None else noted.sequence,)).one()
    return compared(seen, row.fence, row.size, lambda _: row.link)


def _words(found: Found, says: str) -> str:
    match found.loss:
        case "unreadable-note":
            what = f"nobody knows whether it is all there: {says} nothing that can be read"
        case "fewer-facts":
            missing = found.acknowledged - found.stored
            of_all = f"{missing} of {amount(found.acknowledged, 'acknowledged fact')}"
            what = f"{of_all} {form(missing, 'is', 'are')} missing, as {says}"
        case "older-copy":
            what = f"it is an older copy than {says}, from before a daemon last opened it"
        case _:
            what = f"fact {found.acknowledged} in it is not the one that was acknowledged, as {says}"
    return f"{what}. {WHAT_TO_DO}"
