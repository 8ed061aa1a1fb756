"""``pagereeve version``."""

from __future__ import annotations

from importlib.metadata import version as installed

from pagereeve.cli.output import say


def version_text() -> str:

    return installed("pagereeve")


def version_line() -> str:
    """As GNU programs say it: also what ``--version`` prints."""
    return f"pagereeve {version_text()}"


def version() -> None:
    """Show the version."""
    say(version_line())
