"""The journal that a command reads, where the options --config and --data-dir say."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from pagereeve.app.journals import JournalPlace, place_of, reads_of, require_file
from pagereeve.feeds.local.socket_file import SOCKET_NAME
from pagereeve.ports.journal import DamagedRow
from pagereeve.ports.reads import Reads
from pagereeve.settings import load_settings
from pagereeve.settings.model import KEY_NAME
from pagereeve.store.sqlite.files import JOURNAL_NAME


def journal_place(config: Path, data_dir: Path | None) -> JournalPlace:
    """Where the journal is. Raises BadSettings."""
    return place_of(load_settings(config)) if data_dir is None else data_dir / JOURNAL_NAME


def data_folder(config: Path, data_dir: Path | None) -> Path:
    """Raises BadSettings."""
    return load_settings(config).data_dir if data_dir is None else data_dir


def local_socket(config: Path, data_dir: Path | None) -> Path:
    """Where a daemon listens for commands of this host. Raises BadSettings."""
    return load_settings(config).local_socket_path if data_dir is None else data_dir / SOCKET_NAME


def journal_and_key(config: Path, data_dir: Path | None) -> tuple[Path, Path]:
    """Where the journal's file and the badge key lie. Raises BadSettings, and CantOpen where it is no file."""
    if data_dir is not None:
        return data_dir / JOURNAL_NAME, data_dir / KEY_NAME
    settings = load_settings(config)
    require_file(settings)
    return settings.data_dir / JOURNAL_NAME, settings.badge_key_file


def damaged_line(row: DamagedRow) -> str:
    """A row that could not be read, by name."""
    which = f"fact {row.seq} ({row.kind})" if row.seq else "what its meter was last seen to do"
    return f"{row.printer or 'the site'}: {which} is damaged and was left out."


@asynccontextmanager
async def open_reads(config: Path, data_dir: Path | None) -> AsyncIterator[Reads]:
    """The journal for reading, beside a daemon or without one. Raises CantOpen or BadSettings."""
    async with await reads_of(journal_place(config, data_dir)) as reads:
        yield reads
