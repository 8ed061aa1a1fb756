"""When the last backup was made, noted beside the journal. Other ways of copying it leave no trace here."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import from_text, to_text

NAME: Final = "backup.last"
TRACE_MAX_BYTES: Final = 100


def note_backup(data_dir: Path, made_us: int) -> str:
    """Empty where it is noted, else why it is not: whoever backs up may read the folder and not write it."""
    path = data_dir / NAME
    aside = path.with_name(f".{NAME}.new")
    try:
        aside.write_text(f"{to_text(made_us)}\n", encoding="ascii")
        aside.replace(path)
    except OSError as error:
        return f"{path} can't be written ({error.strerror}), so pagereeve doctor does not know of this backup"
    return ""


def last_backup_us(data_dir: Path) -> int | None:
    """None where no backup is known of."""
    try:
        with (data_dir / NAME).open(encoding="ascii") as file:
            return from_text(file.read(TRACE_MAX_BYTES).strip(), NAME)
    except (OSError, UnicodeDecodeError, BadFact):
        return None
