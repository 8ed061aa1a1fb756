"""Options that several commands share, and what they lead to."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

from cyclopts import Parameter

if TYPE_CHECKING:
    from pagereeve.store.sqlite.reads import SqlReads

CONFIG_DEFAULT: Final = Path("/etc/pagereeve.toml")
CONFIG_VARIABLE: Final = "PAGEREEVE_SETTINGS"
JOURNAL_NAME: Final = "journal.sqlite"

Config = Annotated[
    Path, Parameter(name="--config", env_var=CONFIG_VARIABLE, help="Settings file; contrib/example.toml shows all.")
]
DataDir = Annotated[
    Path | None, Parameter(name="--data-dir", help="Folder of the journal, in the place of a settings file.")
]
PeriodName = Annotated[
    str | None, Parameter(name="--period", help="2026, 2026-Q4, 2026-11, 2026-W48 or 2026-11-25; default: always.")
]
From = Annotated[str | None, Parameter(name="--from", help="Beginning: a local date, or an RFC 3339 time.")]
To = Annotated[str | None, Parameter(name="--to", help="End, not included: a local date, or an RFC 3339 time.")]
Zone = Annotated[str, Parameter(name="--zone", help="Time zone of the period and of times shown, as Europe/Berlin.")]
Printer = Annotated[str | None, Parameter(name="--printer", help="Only this printer.")]
AsJson = Annotated[bool, Parameter(name="--json", negative="", help="JSON in the place of text.")]


def journal_path(config: Path, data_dir: Path | None) -> Path:
    """Where the journal lies. Raises BadSettings."""
    if data_dir is not None:
        return data_dir / JOURNAL_NAME
    from pagereeve.settings import load_settings  # noqa: PLC0415 - slow to import

    return load_settings(config).data_dir / JOURNAL_NAME


@asynccontextmanager
async def open_reads(config: Path, data_dir: Path | None) -> AsyncIterator[SqlReads]:
    """The journal for reading, beside a daemon or without one. Raises CantOpen or BadSettings."""
    from pagereeve.store.sqlite.reads import SqlReads  # noqa: PLC0415 - slow to import

    async with await SqlReads.open_for_reading(journal_path(config, data_dir)) as reads:
        yield reads
