"""``pagereeve version``."""

from __future__ import annotations


def version_text() -> str:
    from importlib.metadata import version as installed  # noqa: PLC0415 - slow to import

    return installed("pagereeve")


def version() -> None:
    """Show the version."""
    from pagereeve.cli.output import say  # noqa: PLC0415 - see pagereeve.cli

    say(f"pagereeve {version_text()}")
