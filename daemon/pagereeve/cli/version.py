"""``pagereeve version``."""

from __future__ import annotations

from importlib.metadata import version as installed
from typing import Final

from pagereeve.app.compiled import compiled
from pagereeve.cli.output import say

_WORDS: Final = {"compiled": "compiled", "plain": "plain Python", "changed": "compiled, and changed since"}


def version_text() -> str:
    return installed("pagereeve")


def version_line() -> str:
    """As GNU programs say it, and how the modules that cost most run: also what ``--version`` prints."""
    return f"pagereeve {version_text()} ({_WORDS[compiled().word]})"


def version() -> None:
    """Show the version."""
    say(version_line())
