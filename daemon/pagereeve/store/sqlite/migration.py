"""Alembic, run from inside the package: works from an installed wheel, with no file of settings."""

from __future__ import annotations

from pathlib import Path
from typing import Final, Literal

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from pagereeve.store.errors import NewerSchema
from pagereeve.store.sqlite.revision import current_revision

Phase = Literal["expand", "contract"]
PHASES: Final = ("expand", "contract")


def config() -> Config:
    settings = Config()
    settings.set_main_option("script_location", str(Path(__file__).parents[1] / "migrations").replace("%", "%%"))
    settings.set_main_option("path_separator", "os")
    return settings


def migrate(connection: Connection, path: Path) -> None:
    """To the newest revision, all steps in one transaction. Raises NewerSchema for one that is not ours."""
    settings = config()
    known = {script.revision for script in ScriptDirectory.from_config(settings).walk_revisions()}
    revision = current_revision(connection, path)
    if revision is not None and revision not in known:
        raise NewerSchema(
            path, f"has schema {revision}, which this version doesn't know; a newer one wrote it: install that"
        )
    settings.attributes["connection"] = connection
    with connection.begin():
        command.upgrade(settings, "head")
