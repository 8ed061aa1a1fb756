"""Which settings can change while the daemon runs, and which of two settings differ in what can't."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pydantic import BaseModel

from pagereeve.settings.model import Settings

CHANGEABLE: Final = frozenset(
    {
        "printers",
        "sources",
        "gateways",
        "readers",
        "people.file",
        "policy",
        "privacy.keep_titles",
        "alerts",
        "http.token_files",
        "badges.form",
        "badges.directory",
        "badges.directory_form",
        "badges.swipe_window",
        "badges.travel",
        "badges.nearby",
        "badges.noisy_frames",
        "badges.changed_badges",
        "badges.silent_after",
        "badges.silent_for",
    }
)
"""What a reload takes over: whole tables, or single settings of one. Everything else is fixed until a restart."""


def fixed_changes(running: Settings, wanted: Settings) -> list[str]:
    """The settings that differ and can't change while the daemon runs, as ``table.setting``, in order."""
    return list(_differing(running, wanted, ""))


def _differing(running: BaseModel, wanted: BaseModel, above: str) -> Iterator[str]:
    for name in type(running).model_fields:
        path = f"{above}{name}"
        before, after = getattr(running, name), getattr(wanted, name)
        if path in CHANGEABLE or before == after:
            continue
        if isinstance(before, BaseModel) and isinstance(after, BaseModel):
            yield from _differing(before, after, f"{path}.")
        else:
            yield path
